// Runs a script in MicroPython under Node: node micropython.mjs SCRIPT FILE...
// The files lie in the working directory of the script, under their own names.
import { readFileSync } from "node:fs";
import { basename } from "node:path";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

const [script, ...files] = process.argv.slice(2);
const micropython = await loadMicroPython({
    heapsize: 16 * 1024 * 1024,
    stdout: (line) => process.stdout.write(line + "\n"),
    linebuffer: true,
});
for (const file of files) micropython.FS.writeFile(basename(file), readFileSync(file));
try {
    micropython.runPython(readFileSync(script, "utf8"));
} catch (error) {
    process.stderr.write(`${error.message}\n`); // not Node's own report: it quotes the whole module
    process.exitCode = 1;
}
