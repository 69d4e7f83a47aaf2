"""How long a call computes."""

import time


def best_s(call, times=5):
    """Return the shortest computing time of some calls [s], which other programs change least."""
    took = []
    for _ in range(times):
        begin = time.process_time()
        call()
        took.append(time.process_time() - begin)
    return min(took)
