"""Checks of command-line values, shared by the commands."""

import argparse
import math


def positive_number(text: str) -> float:
    """Return a finite number above zero."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above zero")
    return value


def positive_whole(text: str) -> int:
    """Return a whole number above zero."""
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number above zero")
    return int(text)


def setting(text: str) -> tuple[str, str]:
    """Return the (name, value) of a ``NAME=VALUE``."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip():
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=VALUE")
    return name.strip(), value.strip()
