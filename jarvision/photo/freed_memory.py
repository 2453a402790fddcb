"""Memory that one photo leaves behind, kept by the C library for the next one."""

from __future__ import annotations

import contextlib

import numpy as np

# glibc's own limit of what it learns from, 32 MB, less its header and rounding
_LARGEST_BYTES = (32 << 20) - (64 << 10)


def keep_freed_memory() -> None:
    """Have freed memory kept, up to 64 MB, for what is asked for next.

    glibc gives back what is free at the end of the heap beyond twice the largest block that it
    mapped apart and freed so far (mallopt(3), M_MMAP_THRESHOLD), for one photo some 18 MB; each
    page that is then asked for again is cleared first, which took a twentieth of reading a photo.
    A larger block makes it keep more. Nothing is written to the block, so that it takes no memory.
    With other C libraries this does nothing.
    """
    with contextlib.suppress(MemoryError):  # where so little is left, nothing is gained by it
        np.empty(_LARGEST_BYTES, np.uint8)
