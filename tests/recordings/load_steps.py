"""Loads an accelerator in known steps, so that a recording of it has something to show.

Needs a CUDA build of PyTorch, which is no dependency of heatdrift: run it by hand beside the service.
Prints one line ``unix_seconds phase`` at each change.
"""

from __future__ import annotations

import time

import torch

PHASES = (
    ("idle", 45),
    ("full", 60),
    ("idle", 50),
    ("half", 50),
    ("idle", 45),
    ("memory", 50),
    ("idle", 45),
    ("full", 50),
    ("half", 45),
    ("idle", 60),
)
HALF_PERIOD_S = 0.2  # half load is full work for half of each period


def main() -> None:
    """Run every phase once."""
    left = torch.randn(8192, 8192, device="cuda", dtype=torch.bfloat16)
    source = torch.empty(1 << 30, device="cuda", dtype=torch.uint8)
    target = torch.empty_like(source)

    def multiply() -> None:
        for _ in range(4):
            torch.mm(left, left)
        torch.cuda.synchronize()

    def copy() -> None:
        for _ in range(8):
            target.copy_(source)
        torch.cuda.synchronize()

    for phase, seconds in PHASES:
        print(f"{time.time():.3f} {phase}", flush=True)
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if phase == "idle":
                time.sleep(0.5)
            elif phase == "memory":
                copy()
            elif phase == "full":
                multiply()
            else:
                half_until = time.monotonic() + HALF_PERIOD_S / 2
                while time.monotonic() < half_until:
                    multiply()
                time.sleep(HALF_PERIOD_S / 2)
    print(f"{time.time():.3f} end", flush=True)


if __name__ == "__main__":
    main()
