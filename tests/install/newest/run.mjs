// Run what.py on CPython 3.14: node run.mjs PROJECT FOLDER, the two as /project and /folder there.
import { loadPyodide } from "pyodide";

const [project, folder] = process.argv.slice(2);
const python = await loadPyodide();
for (const [name, place] of Object.entries({ "/project": project, "/folder": folder })) {
  python.FS.mkdir(name);
  python.mountNodeFS(name, place);
}
python.runPython(`
import runpy, sys
sys.dont_write_bytecode = True
runpy.run_path("/project/tests/install/newest/what.py", run_name="__main__")
`);
