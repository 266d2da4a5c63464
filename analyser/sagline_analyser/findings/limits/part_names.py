"""A part's name where there is room for few words."""


def short_part(part: str) -> str:
    """Return a part without its kind where its own name says it: fuse 'main fuse' → main fuse.

    A battery unit goes by its name alone, since nothing else of a board is charged; any other part
    keeps its kind.
    """
    kind, _, rest = part.partition(" '")
    name, quote, more = rest.rpartition("'")
    if not quote:
        return part
    said = kind == "battery unit" or kind.split()[-1].casefold() in name.casefold().split()
    return f"{name if said else f'{kind} {name}'}{more}"
