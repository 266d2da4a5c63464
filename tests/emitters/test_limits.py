"""What the format does not allow, neither emitter lets through: it does not compile,
`sagline_begin` says so, or the module raises."""

import importlib.util
import io
import subprocess

import pytest

from sagline_logger.format import Event, Stream, read_log
from support.emitters import HEADER, MODULE, build, run

ALLOWED = 'SAGLINE_CHANNEL("x", "V", "", 0, SAGLINE_U16, 1, -2, 0)'
PROGRAM = r"""
#include "sagline.h"
#include <stdio.h>
static void put(void *to, uint8_t byte) { (void)to; putchar(byte); }
static const sagline_channel channels[] = {CHANNELS};
static uint8_t buffer[SIZE];
static sagline_stream streams[] = {SAGLINE_STREAM("s", PERIOD, channels, buffer)};
int main(void)
{
    static sagline s;
    uint8_t problem;
    sagline_init(&s, put, 0, "K", "1", 1, streams, 1);
    problem = sagline_begin(&s, 0);
    sagline_event(&s, SAGLINE_NOTE, 0, 0, WORDS, 0);
    return problem;
}
"""


def program(tmp_path, channels=ALLOWED, size=2, words='""', flags=()):
    source = tmp_path / "limits.c"
    text = PROGRAM.replace("CHANNELS", channels).replace("SIZE", str(size))
    source.write_text(text.replace("WORDS", words).replace("PERIOD", "1000"))
    return build(tmp_path / "limits", ["gcc", "-std=c99"], source, flags=flags)


@pytest.mark.parametrize(
    ("channels", "size", "problem"),
    [
        (ALLOWED, 2, 0),
        (ALLOWED, 1, 5),
        (ALLOWED, 5000, 5),
        (f"{ALLOWED}, {ALLOWED}", 4, 4),
        (ALLOWED.replace('"x"', '""'), 2, 3),
        (ALLOWED.replace("SAGLINE_U16", "8"), 4, 3),
        (ALLOWED.replace("16, 1,", "16, 0,"), 2, 3),
        (ALLOWED.replace("-2", "-23"), 2, 3),
        (", ".join(ALLOWED.replace(", 0, S", f", {n}, S") for n in range(65)), 130, 2),
        (", ".join(ALLOWED.replace(", 0, S", f", {n}, S") for n in range(64)), 128, 0),
    ],
)
def test_begin_names_what_is_wrong(tmp_path, channels, size, problem):
    made = program(tmp_path, channels, size)
    assert subprocess.run([made], capture_output=True).returncode == problem


@pytest.mark.parametrize(
    "flag", ["-DSAGLINE_RUN=63", "-DSAGLINE_RUN=255", "-DSAGLINE_NAME=49", "-DSAGLINE_LABEL=33"]
)
def test_limits_beyond_the_format_do_not_compile(flag):
    source = f'#include "{HEADER / "sagline.h"}"\n'
    done = subprocess.run(
        ["gcc", "-std=c99", flag, "-fsyntax-only", "-x", "c", "-"],
        input=source,
        capture_output=True,
        text=True,
    )
    assert done.returncode != 0
    assert "sagline:" in done.stderr


def test_a_text_too_long_for_its_array_does_not_compile(tmp_path):
    with pytest.raises(AssertionError, match="too long"):
        program(tmp_path, ALLOWED.replace('"x"', f'"{"x" * 40}"'))


@pytest.mark.parametrize("run_bytes", [64, 254])
def test_a_long_text_is_cut_between_two_characters(tmp_path, run_bytes):
    words = '"' + "".join(f"\\{byte:03o}" for byte in ("x" + "é" * 600).encode()) + '"'
    made = program(tmp_path, words=words, flags=(f"-DSAGLINE_RUN={run_bytes}",))
    found = [entry.record for entry in read_log(io.BytesIO(run(made)))]
    (event,) = [r for r in found if isinstance(r, Event)]
    most = 1024 if run_bytes == 254 else run_bytes - 21
    assert event.text == "x" + "é" * ((most - 1) // 2)
    assert any(isinstance(r, Stream) for r in found)


def test_without_the_log_writer(tmp_path):
    made = program(tmp_path, flags=("-DSAGLINE_LOG=0",))
    assert run(made) == run(program(tmp_path))


def load():
    spec = importlib.util.spec_from_file_location("sagline", MODULE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_module_refuses_samples_that_fit_no_frame():
    """What else it refuses: tests/emitters/test_rules.py, by the vectors."""
    sagline = load()
    many = [sagline.Channel("x", "V", sagline.U32, index=n) for n in range(64)]
    for channels, together in ((many[:1], 256), (many[:1], 0), (many, 16)):
        with pytest.raises(sagline.BadDescription, match="BAD_BUFFER in stream 0: ") as caught:
            sagline.Emitter(print, "K", "1", 1, [sagline.Stream("s", 1000, channels, together)])
        assert (caught.value.code, caught.value.stream) == (sagline.BAD_BUFFER, 0)
    with pytest.raises(sagline.BadDescription, match="BAD_TEXT: "):
        sagline.Emitter(print, "K" * 49, "1", 1, [])


def test_a_description_that_changes_is_checked_before_it_is_sent():
    sagline = load()
    sent = []
    made = sagline.Emitter(sent.append, "K", "1", 1, [])
    made.begin(0)
    before = len(sent)
    made.streams = [sagline.Stream("s", 0, [])]
    with pytest.raises(sagline.BadDescription, match="BAD_CHANNELS in stream 0"):
        made.changed(0)
    assert (len(sent), made.revision) == (before, 0)


def test_the_module_clock_never_goes_back():
    clock = load().Clock()
    readings = [clock() for _ in range(100)]
    assert readings == sorted(readings)
    assert readings[0] >= 0
