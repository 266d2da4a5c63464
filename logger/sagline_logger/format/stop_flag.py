"""A flag that says "stop", which a signal's handler may set."""

import queue


class StopFlag:
    """Set once, from any thread or a signal's handler; waited for from any thread.

    ``threading.Event`` will not do: a handler runs within the main thread, and where that is just
    about to wait it holds the event's lock, so that ``set`` waits for it for ever.  The queue is
    one whose ``put`` may interrupt a ``get`` of the same thread (the standard library's promise).
    """

    def __init__(self) -> None:
        self._set = False
        self._woken: queue.SimpleQueue[None] = queue.SimpleQueue()

    def set(self) -> None:
        """Say stop.  A handler that Python runs only after a wait began cannot end that wait."""
        self._set = True
        self._woken.put(None)

    def is_set(self) -> bool:
        """Whether stop was said."""
        return self._set

    def wait(self, timeout: float) -> bool:
        """Wait at most ``timeout`` s (0 or more) and return whether stop was said."""
        if not self._set:
            try:
                self._woken.get(timeout=timeout)
            except queue.Empty:
                return self._set
            self._woken.put(None)  # for the others who wait
        return True
