"""Lines of keys, checked by texts in which every whole number is the line it stands on.

``tomllib`` is the outside reference: it finds the values, and so the lines that are right.
"""

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagline_logger.format.toml_lines import KeyPath, key_lines, line_of, load_toml

EVERYTHING = """# @
name = @            # a comment with "quotes" and [brackets]
"quoted . key" = @
'literal = key' = @
"\\u00e9scaped\\"" = @
dotted.inner . "last" = @
dotted.other=@
text = \"\"\"
[not.a.table]
fake = 1 \\\"""
\"\"\"\"\"
after_text = @
raw = '''
# no comment ]'''
single = 'C:\\path\\'
after_raw = @
moment = 1979-05-27 07:32:00
array = [ @, [ @, # comment ]
  @ ],
  "],", '}',
  { a = @, b = { c = @ } },
  @
]
after_array = @
inline = { x.y = @, z = [@, @] }
   [table]
   key = @
[table.sub]
key = @
[ list.owner ]
key = @
[[list.entries]]
key = @
[list.entries.sub]
key = @
[[list.entries.deep]]
key = @
[[list.entries.deep]]
key = @
[[list.entries]]
[[list.entries.deep]]
key = @

[[list.entries]]
key = @
"""


def numbered(text: str) -> str:
    """Put each line's own number in place of every @."""
    lines = text.split("\n")
    return "\n".join(line.replace("@", str(number)) for number, line in enumerate(lines, 1))


def leaves(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, int]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from leaves(inner, (*path, number))
    elif isinstance(value, int):
        yield path, value


def check(text: str) -> int:
    lines = key_lines(text)
    found = dict(leaves(tomllib.loads(text)))
    assert {path: lines.get(path) for path in found} == found
    return len(found)


def test_every_form_of_toml() -> None:
    assert check(numbered(EVERYTHING)) == EVERYTHING.count("@") - 1  # the first is a comment
    assert check(numbered(EVERYTHING).replace("\n", "\r\n")) == EVERYTHING.count("@") - 1


def test_headers_and_places_without_a_line_of_their_own() -> None:
    lines = key_lines('name = "K"\n\n[[battery.units]]\nseries = 1\n\n[[battery.units]]\n')
    assert lines[("battery", "units")] == 3
    assert lines[("battery", "units", 0)] == 3
    assert lines[("battery", "units", 1)] == 6
    assert line_of(lines, ("battery", "units", 1, "name")) == 6
    assert line_of(lines, ("battery",)) == 3
    assert line_of({}, ("anything",)) == 1


@pytest.mark.parametrize("part", ["a", '"\\""', "'b'"])
@pytest.mark.parametrize(
    "form", ["{} = 1", "[{}]", "x = {{ {} = 1 }}", "x = [1, {{c = 1, {} = 1}}]"]
)
def test_a_key_of_endless_parts_is_refused_at_once(part: str, form: str) -> None:
    # tomllib alone takes minutes over the last of these, and key_lines gigabytes.
    assert load_toml(form.format(" . ".join([part] * 16)))
    for parts in (18, 15_000):
        with pytest.raises(ValueError, match=r"more than 16 parts \(at line 2, "):
            load_toml("\n" + form.format(" . ".join([part] * parts)))


def test_a_deep_key_is_told_with_its_own_line_and_numbers_as_asked() -> None:
    deep = "a = 1\n" + ".".join(["b"] * 18) + " = 1\nc = 2\nd = 3\n"
    with pytest.raises(ValueError, match=r"at line 2, "):
        load_toml(deep)
    assert load_toml("a = 1.50", str) == {"a": "1.50"}


def test_blanks_are_nowhere_needed() -> None:
    check(numbered("\na=[[@],[@,{b=@,c=[@,@]},@]]\nd={e={f=[@]},g=@}\nh=@\n"))
    check(numbered("a=[{b=@},{c=@}]\nd=@"))
    assert key_lines("a=[{b=1},{c=2}]")[("a", 1, "c")] == 1
    assert key_lines("a={x=[{b=1}]}")[("a", "x", 0, "b")] == 1


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.sampled_from(
            [
                'a# = """\n\n"""\n',
                "a# = @\n",
                "\n# comment = 1\n",
                "a# = [\n @, # ]\n [ {b = @}, @ ] ]\n",
                "[t#]\n",
                "[[t#.list]]\nx.y = @\n",
                "[[list]]\nz = { q = @, 'r' = [ @,\n\n@ ] }\n",
                "[[list.inner]]\nw = '''\n'''\nv = @\n",
            ]
        ),
        max_size=12,
    )
)
def test_random_documents(blocks: list[str]) -> None:
    text = "".join(
        block.replace("#", str(n), 1) if "#" in block and block[0] in "a[" else block
        for n, block in enumerate(blocks)
    )
    text = "[[list]]\n" + text  # so that list.inner has a table to belong to
    check(numbered(text))
