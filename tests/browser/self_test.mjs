// Whether each check sees what it is for: a small sound page, and copies of it that are spoiled in one thing each. A copy is
// right when exactly the checks named in its row find a fault; two are named where two look at the same thing.
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

const DATA = "feed_mm,force_n\n1,2.385\n2,4.77\n";

const drawing = (name, title) => `<svg role="img" aria-labelledby="${name}-title" aria-describedby="${name}-desc" viewBox="0 0 600 200" xmlns="http://www.w3.org/2000/svg">
<title id="${name}-title">${title}</title>
<desc id="${name}-desc">The force rises with the feed, in ${name}.</desc>
<g stroke="none" class="ink"><text x="20" y="30">push force (N)</text><text x="20" y="60">90 N</text></g>
<g id="${name}-x_plot_1a"><text class="ink" x="400" y="30">gear one</text><path d="M100,150 L500,60" fill="none" stroke="#0072b2" stroke-width="2"/></g>
<g id="${name}-x_plot_2a"><text class="ink" x="400" y="60">gear two</text><path d="M100,160 L500,100" fill="none" stroke="#e69f00" stroke-width="2" stroke-dasharray="6,4"/></g>
</svg>`;
const figure = (name, title) => `<figure id="figure-${name}">
<figcaption><h3>${title}</h3></figcaption>
<div class="picture" tabindex="0" role="group" aria-label="Picture: ${title}">
${drawing(name, title)}
</div>
<p class="data"><a download="${name}.csv" href="data:text/csv;charset=utf-8,${encodeURIComponent(DATA)}">Save the data of ${name}</a></p>
</figure>`;

const GOOD = `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>A sound page (simulated)</title>
<style>
:root{color-scheme:light dark}
body{margin:1rem;background:#fff;color:#111;font:1rem/1.5 sans-serif}
a{color:#00568a;display:inline-block;padding:.3rem 0}
.picture{overflow-x:auto;background:#fff}
.picture svg{display:block;width:100%;min-width:34rem}
.ink{fill:#111;font:12px sans-serif}
.scroll{overflow-x:auto}
td,th{padding:.2rem .5rem;text-align:left}
@media (prefers-color-scheme:dark){body,.picture{background:#15191c;color:#eee}a{color:#7cc4f2}.ink{fill:#eee}}
@media print{body,.picture{background:#fff;color:#000}.ink{fill:#000}figure,tr{break-inside:avoid}h1,h2,h3{break-after:avoid}.scroll,.picture{overflow:visible}.picture svg{min-width:0}details::details-content{content-visibility:visible;block-size:auto}}
</style>
</head>
<body>
<main>
<h1>A sound page</h1>
<p class="first">What is simulated is said to be. <a href="#table">To the table</a></p>
<section id="pictures">
<h2>Pictures</h2>
${figure("one", "Force of the first push")}
${figure("two", "Force of the second push")}
</section>
<section id="table">
<h2>Table</h2>
<div class="scroll" tabindex="0" role="region" aria-label="Forces">
<table><caption>Forces</caption><thead><tr><th scope="col">Feeder</th><th scope="col">Force</th></tr></thead>
<tbody><tr><th scope="row">gear one</th><td>90.1 N</td></tr></tbody></table>
</div>
<details><summary>More</summary><p class="more">What else there is.</p></details>
</section>
</main>
</body>
</html>
`;

const change = (from, to) => (page) => {
  if (!page.includes(from)) throw new Error(`the sound page has no ${from}`);
  return page.replace(from, () => to);
};
const both = (...changes) => (page) => changes.reduce((text, one) => one(text), page);
const noPolicy = (page) => page.replace(/<meta http-equiv.*\n/, "");
const style = (rule) => change("</style>", `${rule}\n</style>`);
const before = (tag, html) => change(tag, `${html}\n${tag}`);

// [what is spoiled, the checks that must see it, how]
const SPOILED = [
  ["a picture from elsewhere", ["requests"], both(noPolicy, before("</main>", `<img src="https://elsewhere.invalid/a.png" alt="A rig" width="20" height="20">`))],
  ["a style sheet beside the page", ["requests"], both(noPolicy, before("<style>", `<link rel="stylesheet" href="beside.css">`))],
  ["a picture that the policy refuses", ["policy", "requests"], before("</main>", `<img src="https://elsewhere.invalid/a.png" alt="A rig" width="20" height="20">`)],
  ["a script that the policy refuses", ["policy"], before("</main>", "<script>document.title = 'x'</script>")],
  ["a warning of a script", ["console"], both(noPolicy, before("</main>", "<script>console.warn('look')</script>"))],
  ["a script that fails", ["console"], both(noPolicy, before("</main>", "<script>throw new Error('no')</script>"))],
  ["a line wider than a phone", ["overflow"], before("</main>", "<p><span style=\"white-space:nowrap\">One line that is made so long that no phone has room for it</span></p>")],
  ["a text that is cut off", ["clipped"], before("</main>", "<p style=\"width:6rem;overflow:hidden;white-space:nowrap\">A text that goes on for longer</p>")],
  ["figures that overlap", ["drawings"], style("#figure-two svg{margin-top:-12rem}")],
  ["a label cut off by its drawing", ["drawing_text"], change(`<text x="20" y="30">`, `<text x="-30" y="30">`)],
  ["labels that overlap", ["drawing_text"], change(`<text x="20" y="60">`, `<text x="30" y="32">`)],
  ["a figure without a description", ["names"], change("The force rises with the feed, in one.", "")],
  ["a figure without a name", ["axe", "names"], change(`<title id="one-title">Force of the first push</title>`, `<title id="one-title"></title>`)],
  ["two figures of one name", ["names"], change(`<title id="two-title">Force of the second push`, `<title id="two-title">Force of the first push`)],
  ["a figure without data", ["data"], change(/<p class="data">.*<\/p>/.exec(GOOD)[0], "")],
  ["other data than the figure's", ["data"], change("2.385", "2.386")],
  ["data that lie beside the page", ["data", "requests"], change(/href="data:[^"]*"/.exec(GOOD)[0], `href="figures/one.csv"`)],
  ["data behind a switch", ["data"], both(change(`<p class="data">`, `<details><summary>Data</summary><p class="data">`), change("one</a></p>", "one</a></p></details>"))],
  ["an id twice", ["html", "ids"], change(`class="more"`, `id="table"`)],
  ["a link to nowhere", ["links"], change(`href="#table"`, `href="#tables"`)],
  ["a description that is not there", ["references"], change(`class="first"`, `aria-describedby="gone"`)],
  ["a mark that is not there", ["references"], change(`<path d="M100,150`, `<use href="#gone"/><path d="M100,150`)],
  ["a heading that skips a level", ["axe", "headings", "html"], change("<h2>Pictures</h2>", "<h4>Pictures</h4>")],
  ["no language", ["axe", "language"], change(` lang="en"`, "")],
  ["no title", ["axe", "html", "title"], change("<title>A sound page (simulated)</title>\n", "")],
  ["a focus that cannot be seen", ["keyboard"], style("a:focus{outline:none}")],
  ["a link that Tab passes by", ["keyboard"], change(`<a href="#table"`, `<a tabindex="-1" href="#table"`)],
  ["labels too dark at night", ["contrast"], style("@media (prefers-color-scheme:dark){.picture .ink{fill:#666}}")],
  ["labels too light by day", ["contrast"], style("@media (prefers-color-scheme:light){.picture .ink{fill:#999}}")],
  ["green and orange of one lightness", ["colour_blind"], both((page) => page.replaceAll("#0072b2", "#5a9a2a").replaceAll("#e69f00", "#b08a1e"))],
  ["series that differ in colour alone", ["second_cue"], change(` stroke-dasharray="6,4"`, "")],
  ["a figure cut by the end of a sheet", ["paper"], both(style("@media print{figure{break-inside:auto!important}#figure-one{margin-top:600px}}"))],
  ["a table too wide for the sheet", ["paper"], style("@media print{table{width:1100px}}")],
  ["a heading alone at the foot", ["paper"], style("@media print{h2{break-after:page!important}}")],
  ["what stays folded on paper", ["paper"], change("details::details-content{content-visibility:visible;block-size:auto}", "")],
  ["pages that are empty", ["paper"], style("@media print{details{break-before:page}section{min-height:2500px}}")],
  ["a paragraph that holds a block", ["html"], before("</main>", "<p><div>Inside</div></p>")],
  ["an element that drawings do not have", ["html"], change(`<path d="M100,150`, `<pathh/><path d="M100,150`)],
  ["words too pale to read", ["axe"], style(".first{color:#bbb}")],
  ["a box that only a mouse scrolls", ["axe"], change(`<div class="picture" tabindex="0" role="group" aria-label="Picture: Force of the first push">`, "<div class=\"picture\">")],
];

// check(REPORT, OUT, MARKUP) looks at a report's folder and tells its faults; markup(FILES, ARE_DRAWINGS) asks the HTML checker.
// `words`: only rows that hold one of them. Returns how many rows came out wrong.
export async function selfTest(check, markup, words) {
  const work = mkdtempSync(join(tmpdir(), "spoiled-"));
  const rows = [["nothing", [], (page) => page], ...SPOILED].filter(([what]) => words.length === 0 || words.some((word) => what.includes(word)));
  let wrong = 0;
  try {
    const drawings = [];
    const pages = rows.map(([, , spoil], i) => {
      const report = join(work, String(i));
      mkdirSync(join(report, "figures"), { recursive: true });
      for (const name of ["one", "two"]) {
        writeFileSync(join(report, "figures", `${name}.csv`), DATA);
        writeFileSync(join(report, "figures", `${name}.svg`), "");
      }
      const page = spoil(GOOD);
      writeFileSync(join(report, "report.html"), page);
      [...page.matchAll(/<svg.*?<\/svg>/gs)].forEach(([source], k) => {
        drawings.push(join(report, `${k}.svg`));
        writeFileSync(join(report, `${k}.svg`), source);
      });
      return report;
    });
    const said = [...markup(pages.map((report) => join(report, "report.html")), false), ...markup(drawings, true)];
    for (const [i, [what, expected]] of rows.entries()) {
      const { faults } = await check(pages[i], join(work, "out"), said.filter((m) => m.file.startsWith(`${pages[i]}/`)));
      const found = [...new Set(faults.map((f) => f.check))].sort();
      const right = found.join() === [...expected].sort().join();
      console.log(`${right ? "seen" : "WRONG"}: ${what}: ${found.join(", ") || "no fault"}${right ? "" : ` instead of ${expected.join(", ") || "none"}`}`);
      if (!right) {
        wrong++;
        for (const f of faults) console.log(`    ${f.check}: ${f.text.slice(0, 300)} [${f.where.slice(0, 2).join(", ")}]`);
      }
    }
  } finally {
    rmSync(work, { recursive: true, force: true });
  }
  console.log(`${rows.length} pages, ${wrong} came out wrong`);
  return wrong;
}
