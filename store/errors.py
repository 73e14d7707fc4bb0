"""Every error that heatdrift raises on purpose.

HeatdriftError
├── SettingsError            a setting, an argument or a file the owner wrote
├── StoreError               the database
│   ├── ForeignDatabaseError     a database that is not ours
│   ├── NewerSchemaError         written by a later heatdrift
│   ├── SchemaOutdatedError      written by an earlier heatdrift, to be migrated first
│   ├── DatabaseBusyError        somebody else holds the pen
│   ├── ReadOnlyDatabaseError    cannot be written
│   ├── DiskFullError            no room left; nothing was lost, the batch is still held
│   ├── RefusedRowsError         it works, but does not take these rows
│   └── DamagedDataError         a checksum or the integrity check failed
├── SensorError              a sensor, a driver or a missing right
│   ├── NoSensorsError           this machine shows nothing we can read
│   └── NvmlError                the NVML child or the driver behind it
├── ServiceError             installing or running the service
└── AnalysisError            a number that cannot be known
    └── TooFewWindowsError

A message gives the value, the limit and the remedy; what a program may want is a field.
"""

from __future__ import annotations

EXIT_DAMAGED = 3  # of a command that came upon damage; the service answers it with a repair
REPAIR_REMEDY = "`heatdrift upkeep --repair` brings the latest backup back; the service does it by itself"


class HeatdriftError(Exception):
    """Base of all errors raised on purpose; ``remedy`` says what the owner can do."""

    def __init__(self, message: str, *, remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message}: {self.remedy}" if self.remedy else self.message


class SettingsError(HeatdriftError):
    """A setting, an argument or a file the owner wrote is wrong."""


class StoreError(HeatdriftError):
    """The database cannot do what was asked."""


class ForeignDatabaseError(StoreError):
    """The database belongs to another program."""


class NewerSchemaError(StoreError):
    """The database was written by a later heatdrift."""


class SchemaOutdatedError(StoreError):
    """The database was written by an earlier heatdrift and has not been migrated."""


class DatabaseBusyError(StoreError):
    """Another process holds the write lock."""


class ReadOnlyDatabaseError(StoreError):
    """The database cannot be written."""


class DiskFullError(StoreError):
    """The disk has no room; the batch was rolled back and is still held by the caller."""


class RefusedRowsError(StoreError):
    """The database is well and does not take these rows; trying again cannot help."""


class DamagedDataError(StoreError):
    """A checksum or the integrity check failed."""


class SensorError(HeatdriftError):
    """A sensor, a driver or a missing right."""


class NoSensorsError(SensorError):
    """This machine shows no temperature that can be read."""


class NvmlError(SensorError):
    """The NVML child process or the driver behind it failed.

    Attributes
    ----------
    code
        NVML's return code, None where the child itself failed.
    """

    def __init__(self, message: str, *, remedy: str = "", code: int | None = None) -> None:
        super().__init__(message, remedy=remedy)
        self.code = code


class ServiceError(HeatdriftError):
    """Installing, removing or running the service failed."""


class AnalysisError(HeatdriftError):
    """A number was asked for that cannot be known."""


class TooFewWindowsError(AnalysisError):
    """Not enough settled windows or load steps."""
