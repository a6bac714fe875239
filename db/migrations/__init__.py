"""Schema migrations, run by :mod:`db.schema`, which lifts the protection before and puts it back after.

A rebuild of a table (``op.batch_alter_table``) gets the old table by ``copy_from``: reflection keeps its
storage and checks with some versions of SQLAlchemy only. A rebuild that shed strict types or keyed storage is
found before the transaction is committed and rolled back; one that shed a check is found by the tests.
"""
