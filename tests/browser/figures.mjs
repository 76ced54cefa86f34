// What a figure must give: a name and a description as the browser tells them to a screen reader, and its data by one
// click. And what only a person who uses the keys meets.
import { existsSync, readFileSync, readdirSync } from "node:fs";
import { join } from "node:path";

const CLICK_MS = 10000;

// `figures`: the folder of the report where each figure's own data lie, to hold the saved ones against.
export async function figureFaults(page, figures) {
  const faults = [];
  const say = (check, text) => faults.push({ check, text });
  const session = await page.context().newCDPSession(page);
  await session.send("DOM.enable");
  await session.send("Accessibility.enable");
  const lone = await page.evaluate(() => {
    const shown = [...document.querySelectorAll("svg")].filter((svg) => !svg.parentElement.closest("svg"));
    globalThis.pictures = shown;
    globalThis.framed = shown.map((svg) => svg.closest("figure"));
    return shown.map((svg) => ({ framed: svg.closest("figure") !== null, shown: svg.checkVisibility() }));
  });
  const names = new Map();
  const saved = new Set();
  for (let i = 0; i < lone.length; i++) {
    if (!lone[i].shown) continue;
    const { result } = await session.send("Runtime.evaluate", { expression: `pictures[${i}].closest("[role=img]") ?? pictures[${i}]` });
    const { nodes } = await session.send("Accessibility.getPartialAXTree", { objectId: result.objectId, fetchRelatives: false });
    const node = nodes[0] ?? {};
    const name = (node.name?.value ?? "").trim();
    const told = (node.description?.value ?? "").trim();
    const label = name === "" ? `figure ${i + 1}` : `"${name.slice(0, 60)}"`;
    if (node.ignored) say("names", `${label} is hidden from screen readers`);
    else if (name === "") say("names", `${label} has no accessible name`);
    else if (told === "") say("names", `${label} has no accessible description`);
    else if (told === name) say("names", `${label} is described by its name`);
    if (name !== "" && names.has(name)) say("names", `two figures are named ${label}`);
    names.set(name, i);
    if (!lone[i].framed) {
      say("data", `${label} is in no figure element`);
      continue;
    }
    const way = await page.evaluate((k) => {
      const box = framed[k];
      const link = [...box.querySelectorAll("a[download], a[href$='.csv']")][0];
      if (link) {
        globalThis.dataLink = link;
        link.closest("details:not([open])")?.setAttribute("data-shut", "");
        return link.checkVisibility() ? "link" : "hidden link";
      }
      return [...box.querySelectorAll("details")].some((d) => d.querySelectorAll("tbody td").length > 0) ? "table" : "none";
    }, i);
    if (way === "none") say("data", `${label}: no link to its data and no table of them`);
    if (way === "hidden link") say("data", `${label}: the link to its data is not to be seen`);
    if (way !== "link") continue;
    const before = page.url();
    const coming = page.waitForEvent("download", { timeout: CLICK_MS }).catch(() => null);
    const handle = await page.evaluateHandle(() => dataLink);
    await handle.click({ timeout: CLICK_MS }).catch((e) => say("data", `${label}: the link to its data cannot be clicked: ${String(e).slice(0, 120)}`));
    const download = await coming;
    if (!download) {
      say("data", `${label}: a click on the link saves nothing`);
      if (page.url().split("#")[0] !== before.split("#")[0]) {
        say("data", `${label}: the link leads away from the page; the figures after it were not tried`);
        await page.goto(before);
        break;
      }
      continue;
    }
    const file = download.suggestedFilename();
    const path = await download.path().catch(() => null);
    const own = join(figures, file);
    if (!path) say("data", `${label}: its data cannot be saved: ${await download.failure()}`);
    else if (!existsSync(own)) say("data", `${label}: saves ${file}, which the report's folder does not have`);
    else if (!readFileSync(path).equals(readFileSync(own))) say("data", `${label}: the saved ${file} is another than figures/${file}`);
    if (saved.has(file)) say("data", `${label}: saves ${file}, as another figure does`);
    saved.add(file);
  }
  const drawn = existsSync(figures) ? readdirSync(figures).filter((name) => name.endsWith(".svg")).length : 0;
  const shown = lone.filter((one) => one.shown).length;
  if (drawn !== shown) say("data", `${shown} figures are shown of the ${drawn} that the report's folder has`);
  await session.detach();
  return { faults, count: shown, saved: saved.size };
}

// Tab from the top to the end: every link, switch and box that scrolls is reached, and shows that it has the focus.
export async function keyboardFaults(page) {
  const faults = [];
  const expected = await page.evaluate(() => {
    const scrolls = (e) => {
      const style = getComputedStyle(e);
      return (["auto", "scroll"].includes(style.overflowX) && e.scrollWidth > e.clientWidth + 1) ||
        (["auto", "scroll"].includes(style.overflowY) && e.scrollHeight > e.clientHeight + 1);
    };
    const listed = [...document.body.querySelectorAll("*")].filter((e) => !e.closest("svg") && e.checkVisibility() &&
      (e.matches("a[href], summary, button, input, select, textarea, [tabindex='0']") || scrolls(e)));
    globalThis.stops = new Map(listed.map((e, i) => [e, i]));
    document.activeElement?.blur();
    window.scrollTo(0, 0);
    return listed.map((e) => `${e.tagName.toLowerCase()} "${(e.getAttribute("aria-label") ?? e.textContent).trim().slice(0, 50)}"`);
  });
  const reached = new Set();
  for (let press = 0; press < 2 * expected.length + 20; press++) {
    await page.keyboard.press("Tab");
    const at = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body || e === document.documentElement) return null;
      const style = getComputedStyle(e);
      const seen = (style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0) || style.boxShadow !== "none";
      const r = e.getBoundingClientRect();
      const off = r.bottom < 0 || r.top > innerHeight || r.right < 0 || r.left > innerWidth;
      return { index: stops.get(e) ?? -1, seen, off, name: `${e.tagName.toLowerCase()} "${e.textContent.trim().slice(0, 50)}"` };
    });
    if (at === null || (reached.has(at.index) && at.index === 0)) break;
    if (!at.seen) faults.push({ check: "keyboard", text: `${at.name} does not show that it has the focus` });
    if (at.off) faults.push({ check: "keyboard", text: `${at.name} has the focus outside of the window` });
    reached.add(at.index);
  }
  expected.forEach((name, i) => {
    if (!reached.has(i)) faults.push({ check: "keyboard", text: `Tab does not reach ${name}` });
  });
  return { faults, count: expected.length };
}
