"""Gives memory that is no longer needed back to the system, where the C library can."""

from __future__ import annotations

import ctypes
import gc


def give_back() -> bool:
    """Return freed memory to the system; False where the C library has no way to.

    After a start without compiled bytecode (a fresh installation, or a service that may not write where it is
    installed) the compiler's leavings are a tenth of the process.
    """
    gc.collect()
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # not the GNU library
        return False
    return bool(trim(0))
