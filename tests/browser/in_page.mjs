// What is read off the laid-out page. Every function here is run inside the browser, so each is whole in itself, and
// returns plain data.

// Structure: ids, links within the page, references of ARIA and of drawings, headings, language and title.
export function structure() {
  const faults = [];
  const say = (check, text) => faults.push({ check, text });
  const ids = new Map();
  for (const element of document.querySelectorAll("[id]")) ids.set(element.id, (ids.get(element.id) ?? 0) + 1);
  for (const [id, count] of ids) if (count > 1) say("ids", `id ${id} stands ${count} times`);
  const resolve = (check, id, where) => { if (!ids.has(id)) say(check, `${where} leads to #${id}, which is not there`); };
  for (const link of document.querySelectorAll("a[href]")) {
    const href = link.getAttribute("href");
    if (href.startsWith("#")) resolve("links", decodeURIComponent(href.slice(1)), `link "${link.textContent.trim()}"`);
    if (href === "" || href === "#") say("links", `link "${link.textContent.trim()}" leads nowhere`);
  }
  const lists = ["aria-labelledby", "aria-describedby", "aria-controls", "aria-owns", "aria-details", "aria-flowto", "headers", "for"];
  for (const name of lists) {
    for (const element of document.querySelectorAll(`[${name}]`)) {
      for (const id of element.getAttribute(name).split(/\s+/).filter(Boolean)) {
        resolve("references", id, `${element.tagName.toLowerCase()} ${name}`);
      }
    }
  }
  const painted = ["fill", "stroke", "filter", "clip-path", "mask", "marker-start", "marker-mid", "marker-end"];
  for (const element of document.querySelectorAll("svg, svg *")) {
    const href = element.getAttribute("href") ?? element.getAttribute("xlink:href");
    if (href && element.tagName !== "a") {
      if (href.startsWith("#")) resolve("references", href.slice(1), `${element.tagName} href`);
      else say("references", `${element.tagName} leads out of the page: ${href.slice(0, 80)}`);
    }
    for (const name of painted) {
      const url = /url\(\s*["']?#([^"')]+)/.exec(element.getAttribute(name) ?? "");
      if (url) resolve("references", url[1], `${element.tagName} ${name}`);
    }
  }
  const headings = [...document.querySelectorAll("h1, h2, h3, h4, h5, h6")];
  let level = 0;
  for (const heading of headings) {
    const now = Number(heading.tagName[1]);
    if (now > level + 1) say("headings", `"${heading.textContent.trim()}" is h${now} after h${level}`);
    if (heading.textContent.trim() === "") say("headings", `an empty h${now}`);
    level = now;
  }
  const first = headings.filter((heading) => heading.tagName === "H1").length;
  if (first !== 1) say("headings", `${first} h1`);
  if (!/^[a-z]{2}/.test(document.documentElement.lang)) say("language", "the page names no language");
  if (document.title.trim() === "") say("title", "the page has no title");
  return faults;
}

// How wide the page is beyond its window, what sticks out of it without a box to scroll it in, and text that is cut off.
export function overflow() {
  const faults = [];
  const root = document.scrollingElement;
  const excess = root.scrollWidth - root.clientWidth;
  const wide = root.clientWidth;
  if (excess > 0) faults.push({ check: "overflow", text: `the page is ${excess} px wider than its window of ${wide} px` });
  // Whether an ancestor scrolls sideways: then what sticks out can be reached.
  const scrolls = (element) => {
    for (let box = element; box && box !== document.body; box = box.parentElement) {
      if (["auto", "scroll"].includes(getComputedStyle(box).overflowX)) return true;
    }
    return false;
  };
  const name = (element) => {
    const id = element.closest("[id]")?.id;
    return `${element.tagName.toLowerCase()}${id ? ` in #${id}` : ""}`;
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const range = document.createRange();
  let told = 0;
  for (let node = walker.nextNode(); node && told < 20; node = walker.nextNode()) {
    const parent = node.parentElement;
    if (node.data.trim() === "" || parent.closest("svg, style, script, title") || !parent.checkVisibility()) continue;
    range.selectNodeContents(node);
    const rects = [...range.getClientRects()].filter((r) => r.width > 1 && r.height > 1);
    const out = rects.find((r) => r.right > wide + 1 || r.left < -1);
    if (out && !scrolls(parent)) {
      told++;
      faults.push({ check: "overflow", text: `"${node.data.trim().slice(0, 60)}" (${name(parent)}) ends at ${Math.round(out.right)} px` });
    }
    // Cut off by a box that hides what does not fit.
    for (let box = parent; box && box !== document.body; box = box.parentElement) {
      const style = getComputedStyle(box);
      const hides = (value) => value === "hidden" || value === "clip";
      if (!hides(style.overflowX) && !hides(style.overflowY)) continue;
      const b = box.getBoundingClientRect();
      // A box of one pixel is how text is kept for screen readers alone.
      if (b.width <= 1 && b.height <= 1) break;
      const cut = rects.some((r) => (hides(style.overflowX) && (r.right > b.right + 1 || r.left < b.left - 1)) ||
        (hides(style.overflowY) && (r.bottom > b.bottom + 2 || r.top < b.top - 2)));
      if (cut) {
        told++;
        faults.push({ check: "clipped", text: `"${node.data.trim().slice(0, 60)}" is cut off by ${name(box)}` });
        break;
      }
    }
  }
  return { excess, faults };
}

// Whether each drawing lies in the page whole and apart from the others, and each text of it within the drawing and apart
// from the other texts.
export function drawings() {
  const faults = [];
  const shown = [...document.querySelectorAll("svg")].filter((svg) => svg.checkVisibility() && !svg.parentElement.closest("svg"));
  const name = (svg) => (svg.getAttribute("aria-labelledby") ?? svg.id ?? "").split(/\s+/)[0] || "a drawing";
  const inside = (box, r, slack) => r.left >= box.left - slack && r.right <= box.right + slack && r.top >= box.top - slack && r.bottom <= box.bottom + slack;
  const meet = (a, b, slack) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > slack && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > slack;
  const boxes = shown.map((svg) => svg.getBoundingClientRect());
  const page = document.documentElement.getBoundingClientRect();
  shown.forEach((svg, i) => {
    let clip = svg.parentElement;
    while (clip && !["auto", "scroll"].includes(getComputedStyle(clip).overflowX)) clip = clip.parentElement;
    if (boxes[i].width < 1 || boxes[i].height < 1) faults.push({ check: "drawings", text: `${name(svg)} has no size` });
    if (!clip && (boxes[i].right > page.right + 1 || boxes[i].left < page.left - 1)) faults.push({ check: "drawings", text: `${name(svg)} leaves the page` });
    for (let k = i + 1; k < shown.length; k++) {
      if (meet(boxes[i], boxes[k], 1)) faults.push({ check: "drawings", text: `${name(svg)} and ${name(shown[k])} overlap` });
    }
    const texts = [...svg.querySelectorAll("text")].filter((t) => t.textContent.trim() !== "" && t.checkVisibility({ visibilityProperty: true, opacityProperty: true }))
      .map((t) => {
        const m = t.getScreenCTM();
        const turned = Math.min(Math.abs(m.b), Math.abs(m.a)) / Math.hypot(m.a, m.b) > 0.02;
        const r = t.getBoundingClientRect();
        // Of the height of a line a part is empty: letters that only nearly meet are apart.
        const h = Math.abs(m.b) > Math.abs(m.a) ? r.width : r.height;
        const trim = 0.18 * h;
        const upright = Math.abs(m.a) > Math.abs(m.b);
        return { turned, text: t.textContent.trim(), r, ink: { left: r.left + (upright ? 0 : trim), right: r.right - (upright ? 0 : trim), top: r.top + (upright ? trim : 0), bottom: r.bottom - (upright ? trim : 0) } };
      });
    let told = 0;
    texts.forEach((t, a) => {
      if (told > 5) return;
      if (!inside(boxes[i], t.ink, 1)) {
        told++;
        faults.push({ check: "drawing_text", text: `${name(svg)}: "${t.text.slice(0, 60)}" is cut off at the edge` });
      }
      for (let b = a + 1; b < texts.length && !t.turned; b++) {
        if (!texts[b].turned && meet(t.ink, texts[b].ink, 1)) {
          told++;
          faults.push({ check: "drawing_text", text: `${name(svg)}: "${t.text.slice(0, 40)}" and "${texts[b].text.slice(0, 40)}" overlap` });
          break;
        }
      }
    });
  });
  return faults;
}

export function openDetails() {
  for (const details of document.querySelectorAll("details")) details.open = true;
}
