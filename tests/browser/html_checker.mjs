// The Nu HTML checker on pages and on drawings that stand alone. One run of Java for all files of one kind.
import { spawnSync } from "node:child_process";
import { createRequire } from "node:module";
import { join } from "node:path";

// Faults of each file: {file, line, kind: "error" or "warning", text}. `drawing`: the files are SVG, else HTML.
export function checkMarkup(modules, files, drawing) {
  if (files.length === 0) return [];
  const jar = createRequire(join(modules, "package.json"))("vnu-jar");
  const words = ["-Xss8m", "-jar", jar, "--format", "json", "--stdout", "--exit-zero-always", drawing ? "--svg" : "--html"];
  const run = spawnSync("java", [...words, ...files], { encoding: "utf8", maxBuffer: 1 << 28 });
  if (run.error || run.status !== 0) throw new Error(`the HTML checker did not run: ${run.error ?? run.stderr.slice(0, 500)}`);
  const kinds = { error: "error", "non-document-error": "error", info: "note" };
  return JSON.parse(run.stdout).messages.map((m) => ({
    file: m.url ? decodeURIComponent(new URL(m.url).pathname) : "",
    line: m.lastLine ?? 0,
    kind: m.subType === "warning" ? "warning" : (m.subType === "fatal" ? "error" : kinds[m.type] ?? "error"),
    text: `${m.message} [${(m.extract ?? "").replace(/\s+/g, " ").slice(0, 100)}]`,
  }));
}
