"""The emitters as packages: each tool's own files, held against what that tool asks for.

Sources, read by people and cited from memory: the Arduino library specification 1.5 ("Library
layout", "library.properties file format"), PlatformIO's library.json, the ESP-IDF build system
("Component CMakeLists files", "idf_component.yml"), MicroPython's package management
("package.json").
"""

import ast
import functools
import json
import re
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from sagline_logger.format import read_log
from sagline_logger.verify.survey import survey
from support.emitters import EMITTERS, HEADER, MODULE

ROOT = EMITTERS.parents[1]
VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
PROPERTIES = dict(
    line.split("=", 1) for line in (HEADER / "library.properties").read_text().splitlines()
)
MANIFEST = json.loads((HEADER / "library.json").read_text())
MODULE_MANIFEST = json.loads((MODULE.parent / "package.json").read_text())


def test_all_packages_are_of_the_project_s_version() -> None:
    cmake = (HEADER / "CMakeLists.txt").read_text()
    idf = (HEADER / "idf_component.yml").read_text()
    found = {
        PROPERTIES["version"],
        MANIFEST["version"],
        MODULE_MANIFEST["version"],
        re.findall(r"project\(sagline VERSION (\S+)", cmake)[0],
        re.findall(r'^version: "(.*)"$', idf, re.M)[0],
    }
    assert found == {VERSION}


def test_there_is_one_header_and_the_other_only_names_it() -> None:
    code = re.sub(r"/\*.*?\*/", "", (HEADER / "src" / "sagline.h").read_text(), flags=re.S)
    assert code.split() == ["#include", '"../sagline.h"']
    assert sorted(path.name for path in HEADER.rglob("sagline*.h")) == [
        "sagline.h",
        "sagline.h",
        "sagline_arduino.h",
    ]


def test_the_properties_of_a_library() -> None:
    required = "name version author maintainer sentence paragraph category url architectures"
    assert set(required.split()) <= set(PROPERTIES)
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.\- ]{0,62}", PROPERTIES["name"])
    assert PROPERTIES["architectures"] == "*"
    for header in PROPERTIES["includes"].split(","):
        assert (HEADER / "src" / header).is_file()


def test_the_manifest_of_a_library() -> None:
    assert re.fullmatch(r"[A-Za-z0-9._\- ]{1,100}", MANIFEST["name"])
    assert {"description", "keywords", "license"} <= set(MANIFEST)
    assert (HEADER / "src" / MANIFEST["headers"]).is_file()


USE = """
#include <sagline.h>
#include <stdio.h>
static const sagline_channel channels[] SAGLINE_FLASH = {
    SAGLINE_CHANNEL("pack_voltage", "V", "", 0, SAGLINE_U16, 1, -2, 0),
};
static uint8_t buffer[20];
static sagline_stream streams[] = {SAGLINE_STREAM("fast", 10000, channels, buffer)};
static sagline s;
static void put(void *to, uint8_t byte) { (void)to; putchar(byte); }
int main(void)
{
    uint32_t n;
    int32_t volts = 4800;
    sagline_init(&s, put, 0, "b", "f", 1, streams, 1);
    if (sagline_begin(&s, 0)) return 1;
    for (n = 0; n < 100; n++) sagline_sample(&s, 0, n * 10000, &volts);
    return 0;
}
"""


def cmake(*words: object) -> str:
    done = subprocess.run(["cmake", *map(str, words)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.mark.parametrize("how", ["added as a folder", "installed and found"])
@pytest.mark.parametrize("language", ["C", "CXX"])
def test_cmake_finds_it_and_the_program_runs(how: str, language: str, tmp_path: Path) -> None:
    app = tmp_path / "app"
    app.mkdir()
    source = "main.c" if language == "C" else "main.cpp"
    (app / source).write_text(USE)
    find = f"add_subdirectory({HEADER} sagline)"
    if how == "installed and found":
        cmake("-S", HEADER, "-B", tmp_path / "lib", f"-DCMAKE_INSTALL_PREFIX={tmp_path / 'there'}")
        cmake("--install", tmp_path / "lib")
        assert (tmp_path / "there" / "include" / "sagline.h").is_file()
        find = f"find_package(sagline {VERSION} REQUIRED CONFIG)"
    standard = "set(CMAKE_C_STANDARD 99)" if language == "C" else "set(CMAKE_CXX_STANDARD 11)"
    (app / "CMakeLists.txt").write_text(
        f"cmake_minimum_required(VERSION 3.16)\nproject(app LANGUAGES C CXX)\n{standard}\n{find}\n"
        f"add_executable(app {source})\ntarget_link_libraries(app PRIVATE sagline::sagline)\n"
    )
    cmake("-S", app, "-B", tmp_path / "out", f"-DCMAKE_PREFIX_PATH={tmp_path / 'there'}")
    cmake("--build", tmp_path / "out")
    log = tmp_path / "sent.sagline"
    log.write_bytes(subprocess.run([tmp_path / "out" / "app"], capture_output=True).stdout)
    with log.open("rb") as file:
        found = survey(read_log(file))
    assert (found.damaged, found.streams[0].samples, found.lost_samples) == (0, 100, 0)


def test_as_a_component_it_registers_the_folder_of_its_header(tmp_path: Path) -> None:
    """ESP-IDF itself cannot be had here: its call is stood in for, run by the real CMake."""
    script = tmp_path / "component.cmake"
    script.write_text(
        "set(ESP_PLATFORM 1)\n"
        "function(idf_component_register)\n"
        '  cmake_parse_arguments(GIVEN "" "" "SRCS;INCLUDE_DIRS;REQUIRES" ${ARGN})\n'
        '  message("registered:${GIVEN_INCLUDE_DIRS}:${GIVEN_SRCS}:${GIVEN_UNPARSED_ARGUMENTS}")\n'
        "endfunction()\n"
        f"include({HEADER / 'CMakeLists.txt'})\n"
    )
    (folder,) = re.findall(r"^registered:([^:;]+)::$", cmake("-P", script), re.M)
    assert (HEADER / folder / "sagline.h").is_file()


@pytest.fixture
def prompt() -> Iterator[str]:
    """Serve the prompt of a real MicroPython at a socket; gives its address."""
    words = ("node", str(Path(__file__).with_name("repl.mjs")))
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield f"socket://127.0.0.1:{int(process.stdout.readline())}"
        finally:
            process.kill()


def test_mip_installs_the_module_by_its_manifest(prompt: str) -> None:
    """The real client, over the prompt of a real MicroPython, from a web server as makers do."""
    handler = functools.partial(SimpleHTTPRequestHandler, directory=MODULE.parent)
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        source = f"http://127.0.0.1:{server.server_port}/"
        code = "import sagline; print(sagline.__file__, sagline.Clock.__name__)"
        words = (sys.executable, "-m", "mpremote", "connect", prompt, "resume")
        done = subprocess.run(
            (*words, "mip", "install", source, "+", "exec", code),
            capture_output=True,
            text=True,
            timeout=120,
        )
        server.shutdown()
    assert done.returncode == 0, done.stdout + done.stderr
    # Among the lines: the client's own go through another buffer than what the board prints.
    assert "/lib/sagline.py Clock" in done.stdout.splitlines()


def test_the_module_s_manifest_brings_all_that_it_imports() -> None:
    urls = dict(MODULE_MANIFEST["urls"])
    assert urls == {"sagline.py": "sagline.py"}
    assert all((MODULE.parent / source).is_file() for source in urls.values())
    imported = {
        name.split(".")[0]
        for node in ast.walk(ast.parse(MODULE.read_text()))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [node.module]
            if isinstance(node, ast.ImportFrom) and node.module
            else [alias.name for alias in node.names]
        )
    }
    assert imported <= {"struct", "time", "binascii", "io", "sys"}  # in every MicroPython
    assert MODULE_MANIFEST["deps"] == []
