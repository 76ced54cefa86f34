// The page on paper: printed to PDF, with small marks in the page's own layout whose places pdftotext then tells.
import { spawnSync } from "node:child_process";
import { writeFileSync } from "node:fs";

// Points of 1/72 inch.
export const PAPERS = { A4: { width: 595.3, height: 841.9 }, Letter: { width: 612, height: 792 } };
// A mark of this size, in points, must come out as large: Chromium shrinks a page whose content is too wide.
const MARK_PT = 3;

// Marks: d the end of what is folded, f top and bottom of a figure, h a heading, n the first of what follows it, t the right edge of a table, w of a text.
const putMarks = (size) => {
  const put = (element, word, css) => {
    const mark = document.createElement("span");
    mark.className = "paper-mark";
    mark.textContent = word;
    mark.style.cssText = `position:absolute;font:${size}pt/1 monospace;color:#000;background:none;white-space:nowrap;margin:0;padding:0;${css}`;
    if (getComputedStyle(element).position === "static") element.style.position = "relative";
    element.append(mark);
  };
  const shown = (list) => [...list].filter((e) => e.checkVisibility() && !e.closest("svg"));
  const said = (e) => e.textContent.trim().replace(/\s+/g, " ").slice(0, 60);
  const list = { figures: [], headings: [], tables: [], folded: [] };
  // What is folded must be on paper as the page opens: nobody can unfold paper, or knows that there is more.
  document.querySelectorAll("details").forEach((details, i) => {
    const last = details.lastElementChild;
    if (!last || last.tagName === "SUMMARY") return;
    put(["UL", "OL"].includes(last.tagName) ? last.lastElementChild : last, `zqd${i}zq`, "left:0;bottom:0");
    list.folded.push([i, said(details.querySelector("summary") ?? details)]);
  });
  shown(document.querySelectorAll("figure")).forEach((figure, i) => {
    put(figure, `zqf${i}azq`, "left:0;top:0");
    put(figure, `zqf${i}bzq`, "left:0;bottom:0");
    list.figures.push(figure.querySelector("svg title")?.textContent ?? figure.id);
  });
  const leaf = (e) => {
    for (let at = e; ;) {
      const child = [...at.children].find((c) => c.checkVisibility() && !c.closest("svg"));
      if (!child || ["P", "LI", "TH", "TD", "DT", "DD", "PRE", "CAPTION", "SUMMARY"].includes(at.tagName) || /^H\d$/.test(at.tagName)) return at;
      at = child;
    }
  };
  shown(document.querySelectorAll("h2, h3, h4")).forEach((heading, i) => {
    let next = heading;
    while (next && !next.nextElementSibling && next !== document.body) next = next.parentElement;
    next = next?.nextElementSibling;
    while (next && !next.checkVisibility()) next = next.nextElementSibling;
    if (!next) return;
    put(heading, `zqh${i}azq`, "left:0;top:0");
    put(leaf(next), `zqh${i}bzq`, "left:50%;top:0");
    list.headings.push([i, said(heading)]);
  });
  shown(document.querySelectorAll("table")).forEach((table, i) => {
    // The right edge of the cell that ends furthest right in the first row.
    const cell = table.rows[0]?.cells[table.rows[0].cells.length - 1];
    if (!cell) return;
    put(cell, `zqt${i}zq`, "right:0;top:0");
    list.tables.push([i, said(table.caption ?? table)]);
  });
  return list;
};

function read(path) {
  const run = spawnSync("pdftotext", ["-bbox", path, "-"], { encoding: "utf8", maxBuffer: 1 << 28 });
  if (run.error || run.status !== 0) throw new Error(`pdftotext did not run: ${run.error ?? run.stderr}`);
  return run.stdout.split("<page ").slice(1).map((page) => ({
    width: Number(/width="([\d.]+)"/.exec(page)[1]),
    words: [...page.matchAll(/<word xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">([^<]*)</g)]
      .map((m) => ({ left: Number(m[1]), top: Number(m[2]), right: Number(m[3]), bottom: Number(m[4]), text: m[5] })),
  }));
}

// Prints `page` (of its own, since marks are left in it). Writes FORMAT.pdf as a reader gets it into `out`.
export async function paperFaults(page, format, out) {
  const faults = [];
  const say = (text) => faults.push({ check: "paper", text });
  // Without a margin of the page's own, that of the printing dialogue.
  const own = await page.evaluate(() => [...document.styleSheets].filter((s) => !s.href).some((s) => [...s.cssRules].some((r) => r instanceof CSSPageRule && r.style.margin !== "")));
  const margin = own ? undefined : { top: "10mm", right: "10mm", bottom: "10mm", left: "10mm" };
  const options = { format, printBackground: true, margin };
  // How long the page is at the width of the paper, in pages; what may not be cut leaves room at some feet.
  await page.emulateMedia({ media: "print", colorScheme: "light" });
  const side = 2 * 15 / 25.4 * 96;
  const [across, down] = [PAPERS[format].width / 0.75 - side, PAPERS[format].height / 0.75 - side];
  await page.setViewportSize({ width: Math.round(across), height: Math.round(down) });
  const least = await page.evaluate(() => document.documentElement.scrollHeight) / down;
  const path = `${out}/${format}.pdf`;
  await page.pdf({ ...options, path });
  const plain = read(path);
  const marks = await page.evaluate(putMarks, MARK_PT);
  const marked = `${out}/${format}-marked.pdf`;
  writeFileSync(marked, await page.pdf(options));
  const pages = read(marked);
  const at = new Map();
  pages.forEach((p, number) => p.words.forEach((w) => {
    for (const m of w.text.matchAll(/zq([dfht]\d+[ab]?)zq/g)) at.set(m[1], { page: number + 1, ...w });
  }));
  const paper = PAPERS[format];
  if (plain.length > 1.6 * least + 2) say(`${plain.length} pages, where the page is as long as ${least.toFixed(1)} of them`);
  if (Math.abs(plain[0].width - paper.width) > 1) say(`the page is ${plain[0].width} pt wide`);
  plain.forEach((p, i) => { if (p.words.length === 0) say(`page ${i + 1} of ${plain.length} is empty`); });
  const sizes = [...at.values()].map((w) => w.bottom - w.top).sort((a, b) => a - b);
  const size = sizes[Math.floor(sizes.length / 2)];
  // The box of a word in this font is 1.1 to 1.2 times its size.
  if (sizes.length > 0 && size < 0.97 * 1.1 * MARK_PT) say(`the page is shrunk to ${(100 * size / (1.165 * MARK_PT)).toFixed(0)} %: something is wider than the paper`);
  marks.figures.forEach((name, i) => {
    const [a, b] = [at.get(`f${i}a`), at.get(`f${i}b`)];
    if (!a || !b) say(`figure "${name}" is not on paper`);
    else if (a.page !== b.page) say(`figure "${name}" is cut between pages ${a.page} and ${b.page}`);
  });
  for (const [i, name] of marks.headings) {
    const [a, b] = [at.get(`h${i}a`), at.get(`h${i}b`)];
    if (!a || !b) say(`heading "${name}" or what follows it is not on paper`);
    else if (a.page !== b.page) say(`heading "${name}" stands alone at the foot of page ${a.page}`);
  }
  for (const [i, name] of marks.folded) {
    if (!at.has(`d${i}`)) say(`what is folded under "${name}" is not on paper`);
  }
  for (const [i, name] of marks.tables) {
    const edge = at.get(`t${i}`);
    if (!edge || edge.right > paper.width - 10) say(`table "${name}" is cut off at the right`);
  }
  plain.forEach((p, i) => p.words.forEach((w) => {
    if (w.right > paper.width - 5 || w.left < 5) say(`"${w.text.slice(0, 40)}" on page ${i + 1} runs off the paper`);
  }));
  return { faults: faults.slice(0, 40), pages: plain.length, path };
}
