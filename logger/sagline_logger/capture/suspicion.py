"""What looks wrong with a link that is open."""

from .source import Advice

_QUIET = 3.0  # s without any byte
_GARBLED = 3.0  # s of bytes without one frame
_NAMELESS = 10.0  # s of frames without a description


def suspicions(
    elapsed: float, received: int, frames: int, described: bool, source: str, advice: Advice
) -> tuple[str, ...]:
    """Return one line for each thing that is not as it should be ``elapsed`` s after the start."""
    if not received and elapsed > _QUIET:
        return (f"nothing arrives from {source}; {advice.silent}",)
    if received and not frames and elapsed > _GARBLED:
        return (
            f"bytes arrive from {source} but none of them make a frame; {advice.undecoded} "
            "They are kept all the same",
        )
    if frames and not described and elapsed > _NAMELESS:
        return (
            "frames arrive but the board has not described its channels; they are kept, but "
            "cannot be shown until it does",
        )
    return ()
