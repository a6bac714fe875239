"""Every error of the database, each one sentence: what is wrong, where, what to do.

::

    DatabaseError
    ├── BadAddress          the URL cannot be understood, or names a kind of database that is not served
    ├── Exposed             a file that holds a secret can be read by others
    ├── KeyProblem          the key of the record, or of an engineer, cannot be read, made or used
    ├── Unreachable         there is nothing to open at that place, or the server does not answer
    ├── NotADatabase        the file is something else, or another program's database
    ├── Damaged             the file was a database once, and parts of it are missing or wrong
    ├── NewerSchema         a later version of the program has written it
    ├── MigrationFailed     it could not be brought to this version; it was left as it was
    ├── ProtectionMissing   the locks on finished records are not all in place
    ├── ReadOnly            it can be read and not written, or its user lacks a right
    ├── Locked              another program is writing and did not finish in time
    ├── DiskFull            no room; nothing of the last write was kept, everything before it was
    ├── StorageFailed       the disk or the operating system reported an error
    ├── NotFound            no such serial, visit or revision
    ├── Conflict            it disagrees with what is recorded already
    │   ├── VisitEnded      the visit was closed before
    │   ├── UnitHeld        another bench has this unit at this moment
    │   └── NotEmpty        records lie already where others were to be put
    ├── NotAuthorised       only an engineer may do this, or an engineer has to sign it first
    ├── Protected           a finished record would have been changed or removed
    └── InvalidValue        a value that must not be stored (not finite, no time zone, control bytes)
"""


class DatabaseError(Exception):
    """Root of everything this package raises; the text is fit to be shown as it stands."""


class BadAddress(DatabaseError):
    """The database URL cannot be understood, or names a kind of database that is not served."""


class Exposed(DatabaseError):
    """A file that holds a secret can be read by others; it was not used."""


class KeyProblem(DatabaseError):
    """The key of the record, or of an engineer, cannot be read, made or used."""


class Unreachable(DatabaseError):
    """There is nothing that can be opened at the place given, or the server does not answer."""


class NotADatabase(DatabaseError):
    """The file is no database, or a database of another program."""


class Damaged(DatabaseError):
    """The file was a database; parts of it are missing or wrong."""


class NewerSchema(DatabaseError):
    """A later version of the program has written this database."""


class MigrationFailed(DatabaseError):
    """The database could not be brought to this version; it was left as it was."""


class ProtectionMissing(DatabaseError):
    """The triggers that keep finished records are not all in place."""


class ReadOnly(DatabaseError):
    """The database can be read and not written, or its user lacks a right."""


class Locked(DatabaseError):
    """Another program holds the database and did not let go in time."""


class DiskFull(DatabaseError):
    """No room: nothing of the last write was kept, everything committed before it was."""


class StorageFailed(DatabaseError):
    """The disk or the operating system reported an error."""


class NotFound(DatabaseError):
    """The record has no such serial, visit or revision."""


class Conflict(DatabaseError):
    """What was to be stored disagrees with what is recorded already."""


class VisitEnded(Conflict):
    """The visit was closed before."""


class UnitHeld(Conflict):
    """Another bench has this unit at this moment."""


class NotEmpty(Conflict):
    """Records lie already where others were to be put."""


class NotAuthorised(DatabaseError):
    """Only an engineer may do this, or an engineer has to sign it first."""


class Protected(DatabaseError):
    """A finished record would have been changed or removed; it was not."""


class InvalidValue(DatabaseError):
    """A value that must not be stored: not finite, without time zone, or no proper text."""
