"""Every standard channel by its key, as a board would describe it."""

from sagline_logger.format import Channel, SampleType, vocabulary

STANDARD = {
    channel.key: channel
    for term in vocabulary().values()
    for index in range(21)
    if not (channel := Channel(term.name, term.unit, SampleType.F32, index=index)).nearly
}
