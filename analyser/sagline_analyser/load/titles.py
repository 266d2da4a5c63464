"""What a channel's column is called where it leaves the analyser as a table."""

from .ride import StreamColumns


def column_titles(stream: StreamColumns) -> list[str]:
    """Return the channels' column titles, such as ``motor_current_1 [A]``."""
    titles = []
    for key, channel in stream.channels.items():
        title = f"{key} [{channel.unit}]" if channel.unit else key
        # A spreadsheet would run a title like "=1+1" as a formula; the name is the device's word.
        titles.append(f"'{title}" if title[0] in "=+-@\t\r" else title)
    return titles
