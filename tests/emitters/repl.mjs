// Serves a MicroPython's prompt at a socket of this computer, as a board does at its serial port.
import { createServer } from "node:net";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

// "Can you take a paste with flow control?"  This port would read the paste where nothing can be
// read yet, so it answers as boards do that cannot.
const PASTE = Buffer.from("\x05A\x01", "latin1");
const NO = Buffer.from("R\x00", "latin1");

// What comes is a stream: the question may come in one piece with what stands before it, or in two.
let held = Buffer.alloc(0);
function take(bytes, socket) {
    held = Buffer.concat([held, bytes]);
    for (let at = held.indexOf(PASTE); at >= 0; at = held.indexOf(PASTE)) {
        feed(held.subarray(0, at));
        socket.write(NO);
        held = held.subarray(at + PASTE.length);
    }
    const begun = [2, 1].find((n) => held.subarray(-n).equals(PASTE.subarray(0, n))) ?? 0;
    feed(held.subarray(0, held.length - begun));
    held = held.subarray(held.length - begun);
}

function feed(bytes) {
    for (const byte of bytes) micropython.replProcessChar(byte);
}

// Nor are its numbers of errors a board's: "no such file" is 44 in the library beneath it.
const NUMBERS = `
import os
def stat(path, real=os.stat):
    try:
        return real(path)
    except OSError as problem:
        raise OSError(2 if problem.errno == 44 else problem.errno)
os.stat = stat
`;

let client = null;
const micropython = await loadMicroPython({
    heapsize: 1024 * 1024,
    stdout: (bytes) => client?.write(Buffer.from(bytes)),
    linebuffer: false,
});
micropython.runPython(NUMBERS);
micropython.replInit();
const server = createServer((socket) => {
    client = socket;
    socket.on("error", () => {});
    socket.on("data", (bytes) => take(bytes, socket));
    socket.on("close", () => server.close());
});
server.listen(0, "127.0.0.1", () => process.stdout.write(`${server.address().port}\n`));
