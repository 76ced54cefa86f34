// Colours of the drawings as they are painted: the contrast of each text with what it stands on, and whether series stay
// apart for colour-blind readers. Chromium itself simulates the deficiencies, with the matrices of Machado, Oliveira and
// Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE Transactions on Visualization and
// Computer Graphics 15 (6), 2009, at full severity. Differences are CIEDE2000, contrast is that of WCAG 2; both from culori.
import { createRequire } from "node:module";
import { join } from "node:path";

export const CONTRAST_MIN = 4.5;
// Two patches that lie apart in a figure; about 2 is just noticeable side by side.
export const DIFFERENCE_MIN = 8;
// Colours closer than this are not meant to differ: then shape alone tells the series apart.
const ALIKE = 3;
const DEFICIENCIES = ["deuteranopia", "protanopia", "tritanopia"];

const rgb = ([r, g, b]) => ({ mode: "rgb", r: r / 255, g: g / 255, b: b / 255 });
const over = (c, alpha, ground) => c.map((v, i) => Math.round(alpha * v + (1 - alpha) * ground[i]));

// The commonest colour within each box of a picture, and within all of it.
async function commonest(tool, picture, boxes) {
  return tool.evaluate(async ([data, list]) => {
    const bitmap = await createImageBitmap(await (await fetch(`data:image/png;base64,${data}`)).blob());
    const canvas = new OffscreenCanvas(bitmap.width, bitmap.height);
    const pen = canvas.getContext("2d", { willReadFrequently: true });
    pen.drawImage(bitmap, 0, 0);
    return [[0, 0, bitmap.width, bitmap.height], ...list].map(([x, y, w, h]) => {
      const left = Math.max(0, Math.floor(x));
      const upper = Math.max(0, Math.floor(y));
      const wide = Math.min(bitmap.width - left, Math.ceil(w));
      const high = Math.min(bitmap.height - upper, Math.ceil(h));
      if (wide < 1 || high < 1) return null;
      const bytes = pen.getImageData(left, upper, wide, high).data;
      const counts = new Map();
      for (let i = 0; i < bytes.length; i += 4) {
        const key = bytes[i] << 16 | bytes[i + 1] << 8 | bytes[i + 2];
        counts.set(key, (counts.get(key) ?? 0) + 1);
      }
      const key = [...counts].reduce((a, b) => (b[1] > a[1] ? b : a))[0];
      return [key >> 16, key >> 8 & 255, key & 255];
    });
  }, [picture.toString("base64"), boxes]);
}

// Texts of each drawing, and its series: what gnuplot drew for one plot command of one panel, by colour.
const readDrawing = (svg) => {
  const parse = (text) => {
    const m = /^rgba?\(([\d.]+),\s*([\d.]+),\s*([\d.]+)(?:,\s*([\d.]+))?\)$/.exec(text);
    return m ? { c: m.slice(1, 4).map(Number), alpha: m[4] === undefined ? 1 : Number(m[4]) } : null;
  };
  const opacity = (e) => {
    let all = 1;
    for (let at = e; at && at !== svg.parentElement; at = at.parentElement) all *= Number(getComputedStyle(at).opacity);
    return all;
  };
  const frame = svg.getBoundingClientRect();
  const name = (svg.querySelector("title")?.textContent ?? svg.getAttribute("aria-label") ?? "a drawing").slice(0, 60);
  const texts = [];
  for (const t of svg.querySelectorAll("text")) {
    if (t.textContent.trim() === "" || !t.checkVisibility()) continue;
    const style = getComputedStyle(t);
    const fill = parse(style.fill);
    const r = t.getBoundingClientRect();
    if (fill) texts.push({ text: t.textContent.trim().slice(0, 50), c: fill.c, alpha: fill.alpha * Number(style.fillOpacity) * opacity(t), box: [r.left - frame.left, r.top - frame.top, r.width, r.height] });
  }
  const series = [];
  for (const group of svg.querySelectorAll("g[id*='_plot_']")) {
    const id = /_plot_(\d+)([a-z]*)$/.exec(group.id);
    const byColour = new Map();
    const hatched = [];
    for (const e of group.querySelectorAll("path, use, polygon, rect, circle, polyline, line")) {
      if (e.closest("defs")) continue;
      // gnuplot writes a mark of no size where only the bar through it is wanted.
      if (e.tagName === "use" && e.getBoundingClientRect().width === 0) continue;
      const style = getComputedStyle(e);
      let paint;
      let sign;
      if (e.tagName === "use") {
        paint = parse(style.color);
        sign = `marker ${(e.getAttribute("href") ?? e.getAttribute("xlink:href")).replace(/^.*gp/, "")}`;
      } else {
        const filled = parse(style.fill);
        // Hatching is a shape of its own, whatever its colour.
        const hatch = /url\(["']?#([^"')]+)/.exec(style.fill);
        if (hatch) hatched.push(`hatching ${document.getElementById(hatch[1])?.querySelector("path")?.getAttribute("d") ?? hatch[1]}`);
        const stroked = parse(style.stroke);
        // gnuplot clears the ground of open marks with the paper's colour: a fill with a stroke counts as the stroke.
        paint = stroked && Number(style.strokeOpacity) > 0 ? stroked : filled;
        if (!paint) continue;
        sign = paint === stroked ? `line ${style.strokeDasharray === "none" ? "whole" : style.strokeDasharray.replace(/px/g, "")}` : "area";
        paint.alpha *= Number(paint === stroked ? style.strokeOpacity : style.fillOpacity);
      }
      if (!paint || paint.alpha === 0) continue;
      const key = `${paint.c.join()},${paint.alpha}`;
      if (!byColour.has(key)) byColour.set(key, { c: paint.c, alpha: paint.alpha, signs: new Set() });
      byColour.get(key).signs.add(sign);
    }
    const label = [...group.querySelectorAll("text")].map((t) => t.textContent.trim()).filter(Boolean)[0] ?? "";
    // What a key names is told apart by all its shapes together: a bar by its hatching, not by its border alone.
    const all = [...new Set([...hatched, ...[...byColour.values()].flatMap((one) => [...one.signs])])];
    for (const one of byColour.values()) series.push({ id: group.id, panel: id ? id[2] : "", label, c: one.c, alpha: one.alpha, signs: (label === "" ? [...one.signs, ...hatched] : all).sort() });
  }
  return { name, texts, series };
};

// Puts aside all that is not on the way from the page's body to a drawing, and the drawing's texts. A picture of a part of a
// long page takes as long as the whole page does.
const leaveAlone = (svg) => {
  for (let at = svg; at.parentElement && at !== document.body; at = at.parentElement) {
    for (const other of at.parentElement.children) if (other !== at) other.setAttribute("data-aside", "");
  }
  const sheet = new CSSStyleSheet();
  sheet.replaceSync("[data-aside]{display:none!important}svg text{visibility:hidden!important}");
  document.adoptedStyleSheets = [sheet];
  window.scrollTo(0, 0);
};
const bringBack = () => {
  document.adoptedStyleSheets = [];
  for (const other of document.querySelectorAll("[data-aside]")) other.removeAttribute("data-aside");
};

async function simulate(tool, session, colours, deficiency) {
  await session.send("Emulation.setEmulatedVisionDeficiency", { type: deficiency });
  await tool.evaluate((list) => {
    document.body.style.margin = "0";
    document.body.replaceChildren(...list.map((c, i) => {
      const patch = document.createElement("div");
      patch.style.cssText = `position:absolute;width:8px;height:8px;left:${i % 64 * 8}px;top:${Math.floor(i / 64) * 8}px;background:rgb(${c.join()})`;
      return patch;
    }));
  }, colours);
  const picture = await tool.screenshot();
  const seen = await commonest(tool, picture, colours.map((_, i) => [i % 64 * 8 + 2, Math.floor(i / 64) * 8 + 2, 4, 4]));
  await session.send("Emulation.setEmulatedVisionDeficiency", { type: "none" });
  return seen.slice(1);
}

// Contrast of texts and distance of series, of every drawing of a page as it is laid out now.
export async function colourFaults(page, modules) {
  const culori = createRequire(join(modules, "package.json"))("culori");
  const difference = culori.differenceCiede2000();
  const faults = [];
  let least = Infinity;
  let nearest = Infinity;
  const context = await page.context().browser().newContext({ viewport: { width: 640, height: 480 } });
  const tool = await context.newPage();
  const session = await context.newCDPSession(tool);
  const handles = await page.$$("svg");
  for (const handle of handles) {
    if (!(await handle.isVisible())) continue;
    const drawing = await handle.evaluate(readDrawing);
    await handle.evaluate(leaveAlone);
    const picture = await page.screenshot({ fullPage: true, clip: await handle.boundingBox() });
    await page.evaluate(bringBack);
    const [ground, ...grounds] = await commonest(tool, picture, drawing.texts.map((t) => t.box));
    drawing.texts.forEach((t, i) => {
      if (!grounds[i]) return;
      const contrast = culori.wcagContrast(rgb(over(t.c, t.alpha, grounds[i])), rgb(grounds[i]));
      least = Math.min(least, contrast);
      if (contrast < CONTRAST_MIN) faults.push({ check: "contrast", text: `"${drawing.name}": "${t.text}" has a contrast of ${contrast.toFixed(2)}` });
    });
    // Where there is a key, what it names are the series; else every plot is one.
    const keyed = drawing.series.filter((s) => s.label !== "");
    const series = keyed.length > 1 ? keyed : drawing.series;
    for (const s of series) s.seen = over(s.c, s.alpha, ground);
    const sights = [series.map((s) => s.seen)];
    for (const one of DEFICIENCIES) sights.push(series.length > 0 ? await simulate(tool, session, sights[0], one) : []);
    const told = new Set();
    for (let a = 0; a < series.length; a++) {
      for (let b = a + 1; b < series.length; b++) {
        if (series[a].panel !== series[b].panel) continue;
        // Parts of one thing: a mark and the bar through it.
        if (series[a].label !== "" && series[a].label === series[b].label) continue;
        const call = (s) => s.label || s.id.replace(/^.*_plot_/, "plot ");
        const pair = `${call(series[a])} and ${call(series[b])}`;
        const say = (check, text) => {
          if (told.has(`${check} ${text}`)) return;
          told.add(`${check} ${text}`);
          faults.push({ check, text: `"${drawing.name}": ${text}` });
        };
        const away = sights.map((sight) => difference(rgb(sight[a]), rgb(sight[b])));
        const alike = away[0] < ALIKE;
        if (!alike) {
          DEFICIENCIES.forEach((one, k) => {
            nearest = Math.min(nearest, away[k + 1]);
            if (away[k + 1] < DIFFERENCE_MIN) say("colour_blind", `${pair} differ by ${away[k + 1].toFixed(1)} only under ${one} (${away[0].toFixed(1)} without)`);
          });
        }
        const signs = [series[a].signs.join(), series[b].signs.join()];
        if (signs[0] === signs[1]) {
          // Areas have neither mark nor dash: they may differ in lightness, as they do on a grey print.
          const light = (c) => culori.lab(rgb(c)).l;
          const greys = Math.abs(light(sights[0][a]) - light(sights[0][b]));
          if (signs[0] !== "area" || greys < DIFFERENCE_MIN) say("second_cue", `${pair} differ in colour alone (${signs[0]})`);
        }
      }
    }
  }
  await context.close();
  return { faults, least, nearest };
}
