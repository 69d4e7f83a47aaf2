"""A process that stays small: what it frees goes back to the machine.

Left alone, glibc's allocator keeps most of it: it holds an arena for each thread, and it raises the size from
which a block is returned at once to the largest ever freed, so that a single check of a password, which takes
16 MB, would be held for good (mallopt(3), notes on ``M_ARENA_MAX`` and ``M_MMAP_THRESHOLD``).  Other
allocators lack these calls and are left as they are.
"""

import ctypes

# <malloc.h> of glibc.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
# glibc's own first thresholds; once they are set by hand they no longer rise.
BLOCK_BYTES = 128 * 1024


def stay_small() -> None:
    """Let whatever this process frees go back; to be called before it starts threads."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_ARENA_MAX, 1)
        mallopt(_MMAP_THRESHOLD, BLOCK_BYTES)
        mallopt(_TRIM_THRESHOLD, BLOCK_BYTES)


def give_back() -> None:
    """Return what is free between blocks in use, such as what starting up left behind."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
