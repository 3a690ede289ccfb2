/**
 * The workshop: JupyterLab from a Python environment of the project's own, with a kernel that survives the Stop button.
 * Nothing is written to the person's home folder.
 */
import { spawn, spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { existsSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../../", import.meta.url)).replace(/[\\/]$/, "");
const environment = join(root, ".venv");
const jupyter = join(root, ".jupyter");
const requirements = fileURLToPath(new URL("./lab_requirements.txt", import.meta.url));
const bin = (name: string) =>
  process.platform === "win32" ? join(environment, "Scripts", `${name}.exe`) : join(environment, "bin", name);

/** Name of the kernel inside notebooks; committed notebooks carry it. */
export const kernelName: string = "faintlight";

class LabError extends Error {}

function run(what: string, command: string, args: readonly string[], remedy: string): void {
  const done = spawnSync(command, args, { stdio: "inherit" });
  if (done.status !== 0) throw new LabError(`${what} failed; ${remedy}`);
}

/** A Python of 3.10 or newer, as the command that starts it. */
function findPython(): readonly string[] {
  const candidates = process.platform === "win32" ? [["py", "-3"], ["python"]] : [["python3"], ["python"]];
  for (const [command, ...args] of candidates) {
    const found = spawnSync(command, [...args, "-c", "import sys; print(sys.version_info >= (3, 10))"], {
      encoding: "utf8",
    });
    if (found.status === 0 && found.stdout.trim() === "True") return [command, ...args];
  }
  throw new LabError(
    "Python 3.10 or newer was not found; install it (Debian, Ubuntu: sudo apt install python3 python3-venv; " +
      "others: your system's package manager or installer) and run this again",
  );
}

/** Make the Python environment once; afterwards this looks at one small file and needs no network. */
export function settleEnvironment(): void {
  const wanted = createHash("sha256").update(readFileSync(requirements)).digest("hex");
  const marker = join(environment, "faintlight-requirements");
  if (existsSync(marker) && readFileSync(marker, "utf8") === wanted) return;
  const [python, ...args] = findPython();
  const venv = spawnSync(python, [...args, "-c", "import venv, ensurepip"], { stdio: "ignore" });
  if (venv.status !== 0) {
    throw new LabError(
      `${python} lacks its venv module; install it (Debian, Ubuntu: sudo apt install python3-venv) and run this again`,
    );
  }
  console.log("Making the notebooks' Python environment in .venv (once; this needs the network)");
  run("making .venv", python, [...args, "-m", "venv", environment], "see the message above");
  run(
    "installing JupyterLab",
    bin("python"),
    ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-r", requirements],
    "see the message above; the network is needed the first time",
  );
  writeFileSync(marker, wanted);
}

/** Write the kernel's description inside the project, for the Deno that runs this. */
export function settleKernel(): void {
  const folder = join(jupyter, "kernels", kernelName);
  mkdirSync(folder, { recursive: true });
  const spec = {
    argv: [process.execPath, "jupyter", "--kernel", "--conn", "{connection_file}"],
    display_name: "Faintlight (Deno)",
    language: "typescript",
    // by message, so that Stop ends the cell and not the kernel
    interrupt_mode: "message",
    env: { DENO_V8_FLAGS: "--max-old-space-size=8192" },
  };
  writeFileSync(join(folder, "kernel.json"), JSON.stringify(spec, null, 2));
}

/**
 * Keep JupyterLab from asking about news and from looking for updates: the workshop works offline. A person's own
 * choice stays.
 */
export function settleSettings(): void {
  const folder = join(jupyter, "settings", "@jupyterlab", "apputils-extension");
  const file = join(folder, "notification.jupyterlab-settings");
  if (existsSync(file)) return;
  mkdirSync(folder, { recursive: true });
  writeFileSync(file, JSON.stringify({ fetchNews: "false", checkForUpdates: false }, null, 2));
}

/** Variables that keep Jupyter inside the project. */
export function jupyterVariables(): Record<string, string> {
  return {
    JUPYTER_PATH: jupyter,
    JUPYTER_CONFIG_DIR: join(jupyter, "config"),
    JUPYTER_DATA_DIR: join(jupyter, "data"),
    JUPYTER_RUNTIME_DIR: join(jupyter, "runtime"),
    JUPYTERLAB_SETTINGS_DIR: join(jupyter, "settings"),
    JUPYTERLAB_WORKSPACES_DIR: join(jupyter, "workspaces"),
    IPYTHONDIR: join(jupyter, "ipython"),
  };
}

function lab(): void {
  const [mode = "open", ...rest] = process.argv.slice(2);
  settleEnvironment();
  settleKernel();
  settleSettings();
  const variables = { ...process.env, ...jupyterVariables() };
  const [command, args] = mode === "check"
    ? [bin("python"), [join(root, "tests", "notebooks", "run_notebooks.py"), ...rest]]
    : [
      bin("jupyter"),
      ["lab", `--ServerApp.root_dir=${root}`, "--ServerApp.default_url=/lab/tree/notebooks", mode, ...rest]
        .filter((word) => word !== "open"),
    ];
  const child = spawn(command, args, { cwd: root, env: variables, stdio: "inherit" });
  for (const signal of ["SIGINT", "SIGTERM"] as const) process.on(signal, () => child.kill(signal));
  child.on("close", (code) => process.exit(code ?? 1));
}

if (import.meta.main) {
  try {
    lab();
  } catch (error) {
    if (!(error instanceof LabError)) throw error;
    console.error(error.message);
    process.exitCode = 1;
  }
}
