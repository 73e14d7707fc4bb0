"""What the NVML child and its parent say to each other, one JSON object a line.

Requests are ``{"ask": "open", "methods": {uuid: method}, "may_count": bool}``, ``{"ask": "read"}``,
``{"ask": "peek"}``, ``{"ask": "facts"}`` and ``{"ask": "shut"}``; a look may add ``"orders"`` for the time
after it (`nvml_sentry`). An answer carries ``"gpus"``, or ``"code"``
(NVML's return code) with ``"where"`` (the call that failed), or ``"trouble"`` in words.

A reading is an integer, null where the GPU does not offer it, or a list with NVML's return code; ``[0]``
where a dear reading was not due.
This module is loaded by the child, so it imports nothing.
"""

# Position of each reading in an answer to "read"; intended fan speeds follow, one for each fan.
TEMPERATURE, MEMORY_TEMPERATURE, POWER, CLOCK, MEMORY_CLOCK, UTILIZATION, MEMORY_UTILIZATION = range(7)
LIMIT_REASONS, THERMAL_LIMITED, POWER_LIMITED, ENFORCED_LIMIT, FANS = range(7, 12)

# How power is had: the name that `Channel.method` carries.
ENERGY, AVERAGE, USAGE = "energy", "average", "usage"

NOT_DUE = 0
NOT_SUPPORTED, NO_PERMISSION, NOT_FOUND, DRIVER_NOT_LOADED = 3, 4, 6, 9
TIMEOUT, FUNCTION_NOT_FOUND, GPU_NOT_FOUND = 10, 13, 28
GPU_IS_LOST, RESET_REQUIRED, OPERATING_SYSTEM, VERSION_MISMATCH, UNKNOWN = 15, 16, 17, 18, 999

# This GPU, with this driver, has no such sensor: not worth asking again.
NEVER = frozenset((NOT_SUPPORTED, FUNCTION_NOT_FOUND))
# NVML itself is no longer to be trusted: let go of it and come back much later.
FATAL = frozenset(
    (1, DRIVER_NOT_LOADED, GPU_IS_LOST, RESET_REQUIRED, OPERATING_SYSTEM, VERSION_MISMATCH, UNKNOWN)
)
