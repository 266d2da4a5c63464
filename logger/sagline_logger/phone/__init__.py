"""The telephone as the screen of a logger in the bag: a page for the stop, never in motion.

Needs the extra ``phone``.  The capture never waits for it: the page's server has a thread of its
own and asks only the capture's desk, which never blocks.
"""
