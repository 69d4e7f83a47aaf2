"""How often something may be tried."""

import math
from collections import OrderedDict, deque

MOST_KEYS = 1000


class Rate:
    """At most ``most`` tries in ``within_s`` for each key, and ``most_together`` for all keys together.

    Keys in ``apart`` count for themselves only, so that nobody else's tries shut them out.
    """

    def __init__(
        self, most: int, within_s: float, most_together: float = math.inf, apart: frozenset[str] = frozenset()
    ) -> None:
        self._most, self._within_s, self._most_together, self._apart = most, within_s, most_together, apart
        self._tries: OrderedDict[str, deque[float]] = OrderedDict()
        self._together: deque[float] = deque()

    def allows(self, key: str, now_s: float) -> bool:
        """Count a try; tell whether it is still within the bounds."""
        tries = self._tries.setdefault(key, deque())
        self._tries.move_to_end(key)
        while len(self._tries) > MOST_KEYS:
            self._tries.popitem(last=False)
        queues = [(tries, float(self._most))]
        if key not in self._apart:
            queues.append((self._together, self._most_together))
        for queue, _ in queues:
            while queue and now_s - queue[0] >= self._within_s:
                queue.popleft()
        if any(len(queue) >= most for queue, most in queues):
            return False
        for queue, _ in queues:
            queue.append(now_s)
        return True
