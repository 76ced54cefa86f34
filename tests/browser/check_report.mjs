// Reports as somebody sees them to whom report.html was sent: each page is opened in Chromium from a folder where nothing
// else lies, in three widths, light and dark, and on paper.
//
//     node tests/browser/check_report.mjs [NAME=]REPORT_DIR... --out OUT [--figures FILE.json] [--only CHECK,CHECK] [--quick] [--modules DIR]
//     node tests/browser/check_report.mjs --self-test [WORD...] [--modules DIR]
//
// To set up by hand on Debian 12: apt-get install chromium default-jre-headless poppler-utils, and Node 18 or later with npm;
// then, from the top of the tree,
//     mkdir -p build/browser-modules && cp tests/browser/package*.json build/browser-modules &&
//         (cd build/browser-modules && npm ci --ignore-scripts)
// tests/browser/check.sh does all that. DIR is build/browser-modules unless it is given.
//
// --quick leaves out 768 px, 360 px by night, Letter and screenshots.
//
// Screenshots, the printed pages and every fault found go to OUT/NAME. Exit status: 0 no fault, 1 some, 2 wrong use, 3 no
// report there, 5 could not set up or finish.
import { copyFileSync, existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { basename, dirname, join, resolve } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { parseArgs } from "node:util";
import { CONTRAST_MIN, DIFFERENCE_MIN, colourFaults } from "./colours.mjs";
import { figureFaults, keyboardFaults } from "./figures.mjs";
import { checkMarkup } from "./html_checker.mjs";
import { PAPERS, paperFaults } from "./paper.mjs";
import { selfTest } from "./self_test.mjs";
import * as inPage from "./in_page.mjs";

const WIDTHS = [360, 768, 1280];
const HEIGHTS = { 360: 740, 768: 1024, 1280: 800 };
const SCHEMES = ["light", "dark"];
const AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"];
// Chromium paints no higher picture in one piece.
const PICTURE_HEIGHT_MAX = 8000;

const PATIENCE_MS = 300000;

const top = resolve(dirname(fileURLToPath(import.meta.url)), "../..");

// A page of its own context, opened from `file`, with everything that it asks for and complains of on record.
async function openPage(browser, file, { width = 1280, scheme = "light" } = {}) {
  const context = await browser.newContext({ viewport: { width, height: HEIGHTS[width] ?? 800 }, colorScheme: scheme, acceptDownloads: true });
  // Nothing here is timed: a machine that is busy with other things may take as long as it likes.
  context.setDefaultTimeout(PATIENCE_MS);
  const page = await context.newPage();
  const url = pathToFileURL(file).href;
  const faults = [];
  context.on("request", (r) => {
    const asked = r.url();
    if (asked.split("#")[0] !== url && !asked.startsWith("data:")) faults.push({ check: "requests", text: `asks for ${asked.slice(0, 200)}` });
  });
  page.on("console", (m) => {
    // What the policy refuses is counted by the event below, once.
    if (["error", "warning"].includes(m.type()) && !/Content Security Policy/.test(m.text()) && !/^Failed to load resource/.test(m.text())) {
      faults.push({ check: "console", text: `${m.type()}: ${m.text().slice(0, 300)}` });
    }
  });
  page.on("pageerror", (e) => faults.push({ check: "console", text: `error: ${String(e).slice(0, 300)}` }));
  await page.addInitScript(() => {
    globalThis.refusedByPolicy = [];
    document.addEventListener("securitypolicyviolation", (e) => globalThis.refusedByPolicy.push(`${e.effectiveDirective}: ${e.blockedURI} ${e.sourceFile ?? ""}`));
  });
  await page.goto(url, { waitUntil: "load" });
  return { context, page, faults };
}

async function policyFaults(page) {
  const refused = await page.evaluate(() => globalThis.refusedByPolicy);
  return [...new Set(refused)].map((text) => ({ check: "policy", text: `the page's own policy refuses ${text}` }));
}

async function runAxe(page, source) {
  await page.evaluate(source);
  const result = await page.evaluate(async (tags) => {
    // Within drawings axe can tell nothing of colours, and takes most of its time; colours.mjs looks there.
    const found = await axe.run({ exclude: ["svg > *"] }, { runOnly: { type: "tag", values: tags }, preload: false, resultTypes: ["violations", "incomplete"] });
    const short = (list) => list.map((v) => ({
      id: v.id, help: v.help, count: v.nodes.length,
      nodes: v.nodes.slice(0, 5).map((n) => `${n.target.join(" ")}: ${(n.any[0] ?? n.all[0] ?? n.none[0])?.message ?? ""}`),
    }));
    return { violations: short(found.violations), incomplete: short(found.incomplete) };
  }, AXE_TAGS);
  return result;
}

// Piece by piece through a window as high as a piece: for a picture of a whole page, or of a part beyond the window, Chromium
// paints all of the page anew, which takes minutes where it is very long.
async function screenshots(page, folder, name) {
  const size = page.viewportSize();
  const high = await page.evaluate(() => document.documentElement.scrollHeight);
  const pieces = Math.ceil(high / PICTURE_HEIGHT_MAX);
  const paths = [];
  for (let i = 0; i < pieces; i++) {
    const path = join(folder, pieces === 1 ? `${name}.png` : `${name}-${i + 1}.png`);
    const y = i * PICTURE_HEIGHT_MAX;
    await page.setViewportSize({ width: size.width, height: Math.min(PICTURE_HEIGHT_MAX, high - y) });
    await page.evaluate((top) => window.scrollTo(0, top), y);
    await page.screenshot({ path });
    paths.push(path);
  }
  await page.setViewportSize(size);
  await page.evaluate(() => window.scrollTo(0, 0));
  return paths;
}

// Every drawing of the page as a file of its own, as somebody has it who saves it.
async function saveDrawings(page, folder) {
  const sources = await page.evaluate(() => [...document.querySelectorAll("svg")].map((svg) => new XMLSerializer().serializeToString(svg)));
  mkdirSync(folder, { recursive: true });
  return sources.map((source, i) => {
    const path = join(folder, `${String(i + 1).padStart(2, "0")}.svg`);
    writeFileSync(path, source);
    return path;
  });
}

// `markup`: what the HTML checker says of this page, when it has been asked already. `quick`: fewer widths, one paper.
async function checkReport(browser, tools, report, out, wanted, { markup, quick } = {}) {
  const faults = [];
  const notes = [];
  const numbers = { overflowPx: 0, axe: 0, htmlErrors: 0, htmlWarnings: 0, views: 0, contrast: Infinity, difference: Infinity, axeRuns: 0, figures: 0, stops: 0, pagesA4: 0, pagesLetter: 0 };
  // The same fault at another width or in the other scheme is one fault.
  const seen = new Map();
  const add = (list, where) => {
    for (const f of list) {
      if (!wanted(f.check)) continue;
      const key = `${f.check}: ${f.text}`;
      if (seen.has(key)) seen.get(key).where.push(where);
      else {
        const fault = { ...f, where: [where] };
        seen.set(key, fault);
        faults.push(fault);
      }
    }
  };
  rmSync(out, { recursive: true, force: true });
  mkdirSync(out, { recursive: true });
  const alone = mkdtempSync(join(tmpdir(), "report-alone-"));
  const file = join(alone, "report.html");
  copyFileSync(join(report, "report.html"), file);
  const pictures = [];
  try {
    for (const scheme of SCHEMES) {
      for (const width of WIDTHS) {
        if (quick && (width === 768 || (width === 360 && scheme === "dark"))) continue;
        const where = `${scheme} ${width} px`;
        numbers.views++;
        const { context, page, faults: heard } = await openPage(browser, file, { width, scheme });
        // Night differs from day in colours alone, which one width shows.
        if (wanted("screenshots") && (scheme === "light" || width === 1280)) pictures.push(...await screenshots(page, out, `${scheme}-${width}`));
        for (const state of ["as it opens", "all opened"]) {
          if (state === "all opened") await page.evaluate(inPage.openDetails);
          const at = `${where}, ${state}`;
          const laid = await page.evaluate(inPage.overflow);
          numbers.overflowPx = Math.max(numbers.overflowPx, laid.excess);
          add(laid.faults, at);
          add(await page.evaluate(inPage.drawings), at);
          // Axe sees the same elements at every width; wide and narrow differ in what scrolls, night and day in colours, which are
          // the same at every width.
          if (wanted("axe") && (width === 1280 || (width === 360 && scheme === "light")) && (state === "all opened" || (width === 1280 && scheme === "light"))) {
            const axe = await runAxe(page, tools.axe);
            numbers.axeRuns++;
            add(axe.violations.map((v) => ({ check: "axe", text: `${v.id}: ${v.help} (${v.nodes.join("; ")})`, count: v.count })), at);
            numbers.axe += axe.violations.reduce((sum, v) => sum + v.count, 0);
            for (const v of axe.incomplete) notes.push(`axe cannot tell, ${at}: ${v.id} at ${v.count} places, such as ${v.nodes[0]}`);
          }
        }
        if (width === 1280 && (wanted("contrast") || wanted("colour_blind") || wanted("second_cue"))) {
          const colours = await colourFaults(page, tools.modules);
          add(colours.faults, scheme);
          numbers.contrast = Math.min(numbers.contrast, colours.least);
          numbers.difference = Math.min(numbers.difference, colours.nearest);
        }
        if (width === 360 && scheme === "light" && wanted("keyboard")) {
          const keys = await keyboardFaults(page);
          add(keys.faults, where);
          numbers.stops = keys.count;
        }
        if (scheme === "light" && width === 1280) {
          add(await page.evaluate(inPage.structure), "page");
          if (wanted("html")) {
            const said = markup ?? [...checkMarkup(tools.modules, [file], false),
              ...checkMarkup(tools.modules, await saveDrawings(page, join(out, "drawings")), true)];
            for (const m of said) {
              const text = `${basename(m.file)}:${m.line}: ${m.text}`;
              if (m.kind === "error") add([{ check: "html", text }], "checker");
              else notes.push(`HTML checker, ${m.kind}: ${text}`);
              if (m.kind === "error") numbers.htmlErrors++;
              if (m.kind === "warning") numbers.htmlWarnings++;
            }
          }
        }
        add(await policyFaults(page), where);
        add(heard, where);
        await context.close();
      }
    }
    // Pages of their own for what changes them: links that are clicked, and marks put in for the printer.
    if (wanted("names") || wanted("data")) {
      const { context, page, faults: heard } = await openPage(browser, file);
      const figures = await figureFaults(page, join(report, "figures"));
      add(figures.faults, "figures");
      add(heard, "data links clicked");
      numbers.figures = figures.count;
      numbers.saved = figures.saved;
      await context.close();
    }
    for (const format of wanted("paper") ? Object.keys(PAPERS).slice(0, quick ? 1 : 2) : []) {
      const { context, page } = await openPage(browser, file);
      const paper = await paperFaults(page, format, out);
      add(paper.faults, format);
      numbers[`pages${format}`] = paper.pages;
      pictures.push(paper.path);
      await context.close();
    }
  } finally {
    rmSync(alone, { recursive: true, force: true });
  }
  writeFileSync(join(out, "faults.json"), JSON.stringify({ faults, notes, numbers }, null, 1));
  return { faults, notes, numbers, pictures };
}

async function launch(modules) {
  const require = createRequire(join(modules, "package.json"));
  const { chromium } = require("playwright-core");
  const path = ["/usr/bin/chromium", "/usr/bin/chromium-browser"].find(existsSync);
  if (!path) throw new Error("there is no /usr/bin/chromium; install the package chromium");
  const browser = await chromium.launch({ executablePath: path, args: ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--font-render-hinting=none"] });
  return { browser, tools: { modules, axe: readFileSync(require.resolve("axe-core/axe.min.js"), "utf8") } };
}

// What a report came to, in the form of the studies' figures.
function studyFigures(name, { faults, numbers }, seconds) {
  const count = (...checks) => faults.filter((f) => checks.includes(f.check)).length;
  const row = (what, value, unit, low, high, n) => ({
    name: `${name}: ${what}`, value: Number.isFinite(value) ? value : null, unit, low, high,
    met: value >= low && value <= high, n, seed: 0, seconds,
  });
  const views = numbers.views;
  const rows = [
    row("accessibility rules broken", numbers.axe, "1", 0, 0, numbers.axeRuns),
    row("errors of the HTML checker", numbers.htmlErrors, "1", 0, 0, 1 + numbers.figures),
    row("requests that leave the page", count("requests"), "1", 0, 0, views),
    row("refusals by the page's own policy", count("policy"), "1", 0, 0, views),
    row("console errors and warnings", count("console"), "1", 0, 0, views),
    row("page wider than its window", numbers.overflowPx, "px", 0, 0, views),
    row("texts cut off or out of reach", count("overflow", "clipped"), "1", 0, 0, views),
    row("figures cut, labels cut or overlapping", count("drawings", "drawing_text"), "1", 0, 0, numbers.figures),
    row("figures without a name or a description", count("names"), "1", 0, 0, numbers.figures),
    row("figures whose data cannot be saved by a click", count("data"), "1", 0, 0, numbers.figures),
    row("ids, links, references and headings at fault", count("ids", "links", "references", "headings", "language", "title"), "1", 0, 0, 1),
    row("places that Tab does not reach or show", count("keyboard"), "1", 0, 0, numbers.stops),
    row("series told apart by colour alone", count("second_cue"), "1", 0, 0, numbers.figures),
    row("faults on A4 and Letter", count("paper"), "1", 0, 0, numbers.pagesA4 + numbers.pagesLetter),
  ];
  // A page without figures has no colours to hold against these.
  if (numbers.figures > 0) rows.push(row("least contrast of a text in a figure", numbers.contrast, "1", CONTRAST_MIN, 21, numbers.figures));
  if (Number.isFinite(numbers.difference)) {
    rows.push(row("least CIEDE2000 of two series to colour-blind eyes", numbers.difference, "1", DIFFERENCE_MIN, 100, numbers.figures));
  }
  return rows;
}

async function main() {
  let options, words;
  try {
    ({ values: options, positionals: words } = parseArgs({
      allowPositionals: true,
      options: { out: { type: "string" }, figures: { type: "string" }, only: { type: "string" }, quick: { type: "boolean" }, modules: { type: "string" }, "self-test": { type: "boolean" } },
    }));
    if (options.only && options.figures) throw new Error("--figures are those of all checks, and do not go with --only");
    if (!options["self-test"] && (words.length === 0 || !options.out)) throw new Error("REPORT_DIR... and --out OUT are needed");
  } catch (e) {
    console.error(`check_report: ${e.message}`);
    return 2;
  }
  const modules = resolve(options.modules ?? join(top, "build/browser-modules"));
  if (!existsSync(join(modules, "node_modules/playwright-core"))) {
    console.error(`check_report: nothing is installed in ${modules}; see the head of this file`);
    return 5;
  }
  for (const word of words.map((one) => one.slice(one.indexOf("=") + 1)).filter(() => !options["self-test"])) {
    if (!existsSync(join(word, "report.html"))) {
      console.error(`check_report: ${word} has no report.html`);
      return 3;
    }
  }
  const { browser, tools } = await launch(modules);
  let count = 0;
  const figures = [];
  try {
    // No picture is wanted of spoiled pages.
    if (options["self-test"]) {
      const quickly = (report, out, markup) => checkReport(browser, tools, report, out, (check) => check !== "screenshots", { markup, quick: true });
      return (await selfTest(quickly, (files, svg) => checkMarkup(modules, files, svg), words)) > 0 ? 1 : 0;
    }
    for (const word of words) {
      const at = word.indexOf("=");
      const report = resolve(at < 0 ? word : word.slice(at + 1));
      const name = at < 0 ? basename(report) : word.slice(0, at);
      const wanted = (check) => (options.only ? options.only.split(",").includes(check) : !options.quick || check !== "screenshots");
      const start = Date.now();
      const out = resolve(options.out, name);
      const found = await checkReport(browser, tools, report, out, wanted, { quick: options.quick });
      for (const f of found.faults) console.log(`${name}: ${f.check}: ${f.text} [${f.where.length > 2 ? `${f.where[0]} and ${f.where.length - 1} more` : f.where.join(", ")}]`);
      console.log(`${name}: ${found.faults.length} faults in ${((Date.now() - start) / 1000).toFixed(0)} s; pictures and faults.json in ${out}`);
      count += found.faults.length;
      figures.push(...studyFigures(name, found, (Date.now() - start) / 1000));
      if (options.figures) writeFileSync(options.figures, JSON.stringify(figures, null, 1));
    }
  } finally {
    await browser.close();
  }
  return count > 0 ? 1 : 0;
}

if (process.argv[1] && resolve(process.argv[1]) === fileURLToPath(import.meta.url)) {
  process.exitCode = await main().catch((e) => {
    console.error(`check_report: ${String(e.message).split("\n")[0]}`);
    return 5;
  });
}
