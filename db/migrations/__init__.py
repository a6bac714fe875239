"""Schema migrations, run by :mod:`db.schema`, which lifts the protection before and puts it back after.

A rebuild of a table (``op.batch_alter_table``) may therefore be written like any other. That it kept strict
types and keyed storage is looked at before the transaction is committed; that it kept every check, by tests.
"""
