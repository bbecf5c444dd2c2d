/* The page: every text comes out of the two data blocks and is set as text. */

const SHORT = 10; // rows that stay on one sheet of paper
const SVG_IMAGE = "data:image/svg+xml;charset=utf-8,";
const read = (id) => JSON.parse(document.getElementById(id).textContent);

/* An element with attributes and children; a child that is a string becomes text. */
function make(tag, given, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(given || {})) {
    if (name === "class") element.className = value;
    else if (name === "data") Object.assign(element.dataset, value);
    else if (value !== null && value !== false) element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null));
  return element;
}

// The report

function tableOf(block) {
  if (!block.rows.length) return make("div", { class: "none" }, make("h4", {}, block.title), make("p", { class: "note" }, block.note || "None."));
  const sides = block.align, mono = new Set(block.mono);
  const cell = (text, column) => make(column === 0 && sides.length > 1 ? "th" : "td",
    { scope: column === 0 && sides.length > 1 ? "row" : null, class: (sides[column] === "r" ? "right" : "") + (mono.has(column) ? " mono" : "") }, text);
  const table = make("table", {}, make("caption", {}, block.title),
    make("thead", {}, make("tr", {}, ...block.columns.map((one, column) => make("th", { scope: "col", class: sides[column] === "r" ? "right" : "" }, one)))),
    make("tbody", {}, ...block.rows.map((row) => make("tr", {}, ...row.map(cell)))));
  const room = make("div", { class: "table", role: "region", tabindex: "0", "aria-label": block.title }, table);
  const kinds = (block.rows.length <= SHORT ? " short" : "") + (block.wide ? " wide" : "");
  return make("div", { class: "tabled" + kinds }, room, block.note ? make("p", { class: "note" }, block.note) : null);
}

function figureOf(block) {
  const drawing = make("img", { alt: block.alt, src: SVG_IMAGE + encodeURIComponent(block.svg) });
  return make("figure", {}, drawing, make("figcaption", {}, block.caption));
}

function blockOf(block) {
  if (block.kind === "text") return make("p", {}, block.text);
  if (block.kind === "strong") return make("p", { class: "strong" }, block.text);
  if (block.kind === "heading") return make("h3", {}, block.text);
  if (block.kind === "list") return make("ul", {}, ...block.items.map((item) => make("li", {}, item)));
  return block.kind === "figure" ? figureOf(block) : tableOf(block);
}

function pairs(list, mono) {
  return make("dl", { class: "facts" }, ...list.flatMap(([name, value]) => [make("dt", {}, name), make("dd", { class: mono ? "mono" : "" }, value)]));
}

function setReport(report, data) {
  document.title = (report.id + ": " + report.title).replaceAll("\u200b", ""); // places to break a long word
  if (report.simulated) {
    document.body.classList.add("simulated");
    document.body.prepend(make("p", { class: "ribbon" }, "SIMULATED DATA"));
  }
  const kept = "A reading copy of report.pdf, made from the same study at the same time. Sign and keep the PDF: the files "
    + "of the study are attached to that file only.";
  document.getElementById("head").append(
    make("p", { class: "above" }, "Qualification of a printing process: planned test prints and their results"), make("h1", {}, report.title),
    pairs(report.facts), ...report.loud.map((one) => make("p", { class: "loud" }, one)), make("p", { class: "note" }, kept));
  const parts = [["answer", "Answer", report.answer], ...report.sections.map((one, i) => ["s" + (i + 1), (i + 1) + " " + one.title, one.blocks])];
  const made = parts.map(([id, title, blocks]) => make("section", { id, "aria-labelledby": id + "-title" }, make("h2", { id: id + "-title" }, title), ...blocks.map(blockOf)));
  const links = parts.map(([id, title]) => [id, title]);
  if (data) {
    made.splice(1, 0, cardOf(data));
    links.splice(1, 0, ["card", "Try a setting"]);
  }
  document.getElementById("content").append(...made);
  const list = make("ul", {}, ...links.map(([id, title]) => make("li", {}, make("a", { href: "#" + id }, title))));
  document.getElementById("contents").append(make("details", { open: matchMedia("(min-width: 75rem)").matches }, make("summary", {}, "Contents"), list));
  document.getElementById("foot").append(pairs(report.digests, true), make("p", {}, report.id + ", report of " + report.day));
}

// The card

const fraction = (value, [low, high]) => Math.min(1, Math.max(0, (value - low) / (high - low)));
const put = (element, from, to) => { element.style.left = 100 * from + "%"; if (to !== undefined) element.style.width = 100 * Math.max(0, to - from) + "%"; };
const part = (name) => make("div", { class: name });

function cardOf(data) {
  const state = { places: [...data.start], waiting: false, quiet: 0 };
  const knobs = data.factors.map((factor, i) => (factor.named ? choiceOf : sliderOf)(data, factor, i, state));
  const bars = data.responses.map((model) => barOf(model, data.goals !== null));
  const total = data.conformance ? totalOf(data.conformance, bars) : data.goals ? worthOf(bars) : null;
  const needs = make("div", { class: "needs" }, ...bars.map((bar) => bar.element));
  const place = make("p", { class: "place" }), live = make("p", { class: "unseen", role: "status" }), printers = printersOf(data);
  state.show = () => {
    const x = codedSetting(data, state.places), found = predictionsAt(data, x), share = conformanceAt(data, x), worth = desirabilityAt(data, found);
    knobs.forEach((knob) => knob.show());
    bars.forEach((bar, r) => {
      const own = data.conformance ? data.conformance.responses.indexOf(r) : -1;
      bar.show(found[r], own < 0 ? null : share.alone[own], worth && worth.alone[r]);
    });
    if (total) total.show(share || worth);
    const said = outside(data, state.places, x), home = data.recommended && state.places.every((one, i) => one === data.start[i]);
    place.dataset.inside = String(!said.length);
    if (total) total.element.classList.toggle("far", said.length > 0);
    needs.classList.toggle("far", said.length > 0);
    place.textContent = said.length ? "OUTSIDE of what may be recommended: " + said.join("; ") + ". Read nothing off the figures here."
      : home ? "This is the recommended setting." : "Inside what was printed. Moving the sliders is exploring: the models expect, only prints confirm.";
    printers.show(state.places);
    clearTimeout(state.quiet);
    state.quiet = setTimeout(() => {
      live.textContent = (said.length ? "Outside of what was printed. " : "") + (total ? total.words() : bars.map((bar) => bar.words()).join(". "));
    }, 600);
  };
  state.later = () => {
    if (state.waiting) return;
    state.waiting = true;
    requestAnimationFrame(() => { state.waiting = false; state.show(); });
  };
  const back = make("button", { type: "button", class: "back" }, data.recommended ? "Back to the recommended setting" : "Back to the middle");
  back.addEventListener("click", () => { state.places = [...data.start]; state.show(); });
  const card = make("section", { id: "card", class: "card", "aria-labelledby": "card-title" }, make("h2", { id: "card-title" }, "Try a setting"),
    make("p", { class: "move" }, "Move a slider by hand, or with the arrow keys: each " + (data.goals ? "aim" : "requirement") + " below says what the models expect there."),
    total ? total.element : null, place,
    make("div", { class: "halves" }, make("div", { class: "knobs" }, ...knobs.map((knob) => knob.element), back),
      needs),
    printers.element, ...notesOf(data).map((text) => make("p", { class: "note" }, text)), live);
  const wrong = misfit(data);
  if (wrong) return make("section", { id: "card", class: "card", "aria-labelledby": "card-title" }, make("h2", { id: "card-title" }, "Try a setting"), make("p", { class: "loud" }, wrong));
  state.show();
  return card;
}

/* What the page finds at its first setting must be what doe found there. */
function misfit(data) {
  const x = codedSetting(data, data.start), found = predictionsAt(data, x), share = conformanceAt(data, x), worth = desirabilityAt(data, found), asked = data.check;
  const same = (a, b) => a === null ? b === null : Math.abs(a - b) <= 1e-6 * Math.max(1, Math.abs(a));
  const agrees = asked.responses.every((one, r) => same(one.mean, found[r].mean)
    && one.interval.every((end, i) => same(end, found[r].interval[i])) && one.print.every((end, i) => same(end, found[r].print[i])))
    && (share === null || (same(asked.estimate, share.estimate) && same(asked.bound, share.bound)))
    && (worth === null || same(asked.overall, worth.overall));
  return agrees ? "" : "This browser does not compute what doe computed, so nothing can be tried here. The tables of the report are not concerned.";
}

function notesOf(data) {
  const asked = data.conformance, said = [];
  if (data.responses.some((model) => limitsOf(model).length)) said.push("Hatched: where a value fails the requirement.");
  if (data.recommended) said.push("Triangle: the recommended value; light band behind a slider: about as good, the others as recommended.");
  said.push("Dark bar: where the long-run mean lies, at " + tied(data.levelText) + " confidence; light bar: where one new print on a new drying load will lie. "
    + "They hold for a setting named beforehand, the average of the printers and one response at a time. Those of the recommended setting are wider, since it was chosen by its predictions: they stand in the tables.");
  if (data.responses.some((one) => one.log)) said.push("A response with a logarithmic model shows its median in place of its mean.");
  if (data.responses.some((one) => !one.ofLoads)) said.push("Nothing is known of how a response varies from load to load where no interval is shown.");
  if (asked) said.push("Shares are computed in this page from " + (asked.draws === asked.every ? "all " + asked.draws : asked.draws + " of " + asked.every)
    + " draws from the posterior" + (asked.draws === asked.every ? ", as the report's own" : "; those of the report rest on all") + ": on new drying loads, with the setpoint's scatter"
    + (asked.printers.length > 1 ? ", averaged over printers " + asked.printers.join(", ") : "") + ".");
  if (data.goals) said.push("Desirability: what a predicted mean is worth by its aim; together the geometric mean, weighted by the priorities. It is no share of prints: an aim sets no limit that a single print must keep.");
  if (asked && asked.left.length) said.push("Not part of the share: " + asked.left.join(", ") + ".");
  return said;
}

/* Slider: the band shows what is about as good as the recommended value while the others are as recommended. */
function sliderOf(data, factor, i, state) {
  const last = factor.values.length - 1, id = "knob" + i;
  const input = make("input", { type: "range", id, min: "0", max: String(last), step: "1", "data-factor": factor.name });
  const value = make("output", { for: id }), band = part("near"), home = part("home");
  const along = (place) => last ? place / last : 0, at = (share) => "calc(var(--thumb) / 2 + " + share + " * (100% - var(--thumb)))";
  if (factor.near) {
    const [low, high] = factor.near.map((end) => along(factor.values.findIndex((one) => Math.abs(one - end) < 1e-9 * Math.max(1, Math.abs(end)))));
    band.style.left = at(low);
    band.style.width = "calc(" + (high - low) + " * (100% - var(--thumb)))";
  }
  home.style.left = at(along(data.start[i]));
  const set = (place) => { state.places[i] = Math.min(last, Math.max(0, place)); state.later(); };
  input.addEventListener("input", () => set(Number(input.value)));
  const step = (sign, by) => {
    const button = make("button", { type: "button", "aria-label": (by < 0 ? "Lower " : "Raise ") + factor.name }, sign);
    button.addEventListener("click", () => set(state.places[i] + by));
    return button;
  };
  const ends = make("div", { class: "ends", "aria-hidden": "true" }, make("span", {}, exactly(factor.values[0])), make("span", {}, withUnit(exactly(factor.values[last]), factor.unit)));
  const element = make("div", { class: "knob" },
    make("div", { class: "line" }, make("label", { for: id }, factor.name + (factor.ofLoad ? " (per drying load)" : "")), value),
    make("div", { class: "line" }, step(MINUS, -1), make("div", { class: "rail" }, factor.near ? band : null, data.recommended ? home : null, input), step("+", 1)), ends);
  const show = () => {
    const text = withUnit(exactly(factor.values[state.places[i]]), factor.unit);
    input.value = String(state.places[i]);
    input.setAttribute("aria-valuetext", text);
    value.textContent = text;
  };
  return { element, show };
}

function choiceOf(data, factor, i, state) {
  const inputs = factor.values.map((level, place) => {
    const input = make("input", { type: "radio", name: "knob" + i, value: String(place), "data-factor": factor.name });
    input.addEventListener("change", () => { state.places[i] = place; state.later(); });
    return input;
  });
  const labels = inputs.map((input, place) => make("label", {}, input, " " + factor.values[place]
    + (data.recommended && place === data.start[i] ? " (recommended)" : "")));
  const element = make("fieldset", { class: "knob" }, make("legend", {}, factor.name), ...labels);
  return { element, show: () => inputs.forEach((input, place) => { input.checked = place === state.places[i]; }) };
}

/* One requirement: what fails is hatched; beside it the mean, its interval, what a new print will do, and the share that passes. */
function barOf(model, aimed) {
  const tracks = [trackOf(model), trackOf(model)], limits = limitsOf(model), unit = model.unit;
  const values = ["mean", "share", "interval", "print"].map(() => make("dd", {}));
  const names = [model.log ? "Median" : "Mean", aimed ? "Desirability" : "Pass", (model.log ? "Median" : "Mean") + " lies in", "New print lies in"];
  const list = make("dl", { class: "values" }, ...names.flatMap((name, i) => i !== 1 || limits.length || aimed ? [make("div", {}, make("dt", {}, name), values[i])] : []));
  const ends = make("div", { class: "ends", "aria-hidden": "true" }, ...model.scale.map((end) => make("span", {}, atPlace(end, placeOf(model.scale[1] - model.scale[0])))));
  const element = make("div", { class: "need", data: { response: model.name } }, make("h3", {}, model.name), make("p", { class: "asked" }, model.requirement === "none" ? "no requirement" : model.requirement), tracks[0].element, ends, list);
  const mini = make("div", { class: "mini", "aria-hidden": "true" }, make("span", {}, model.name), tracks[1].element);
  let words = "";
  const show = (found, share, worth) => {
    const known = found.interval[0] !== null, place = known ? placeOf((found.interval[1] - found.interval[0]) / 2) : null;
    const range = (pair) => pair[0] === null ? "not known" : withUnit(atPlace(pair[0], place) + " to " + atPlace(pair[1], place), unit);
    const passing = aimed ? worthText(worth) : share === null ? "not in it" : percent(share) + " of " + model.on;
    const shown = [withUnit(atPlace(found.mean, place), unit), passing, range(found.interval), range(found.print)];
    values.forEach((value, i) => { value.textContent = shown[i]; });
    tracks.forEach((track) => track.show(found));
    const meets = (end) => (model.atLeast === null || end >= model.atLeast) && (model.atMost === null || end <= model.atMost);
    element.dataset.meets = String(known && found.interval.every(meets));
    Object.assign(element.dataset, { mean: found.mean, low: found.interval[0], high: found.interval[1], printLow: found.print[0], printHigh: found.print[1], share, worth });
    words = model.name + " " + shown[0];
  };
  return { element, mini, show, words: () => words };
}

const limitsOf = (model) => [[model.atLeast, "below"], [model.atMost, "above"]].filter(([limit]) => limit !== null);

function trackOf(model) {
  const [print, interval, mean] = ["print", "interval", "mean"].map(part), lines = [];
  const element = make("div", { class: "track", "aria-hidden": "true" });
  for (const [limit, side] of limitsOf(model)) {
    const fails = part("fails"), at = fraction(limit, model.scale), line = part("limit");
    put(fails, side === "below" ? 0 : at, side === "below" ? at : 1);
    put(line, at);
    element.append(fails);
    lines.push(line);
  }
  element.append(print, interval, ...lines, mean);
  const show = (found) => {
    put(mean, fraction(found.mean, model.scale));
    for (const [bar, pair] of [[print, found.print], [interval, found.interval]]) {
      bar.hidden = pair[0] === null;
      if (pair[0] !== null) put(bar, fraction(pair[0], model.scale), fraction(pair[1], model.scale));
    }
  };
  return { element, show };
}

function totalOf(asked, bars) {
  const estimate = make("strong", {}), bound = make("span", { class: "bound" }), fill = part("fill"), least = part("least"), mark = part("limit"), verdict = make("span", { class: "verdict" });
  put(mark, asked.required);
  const element = make("div", { class: "total" },
    make("p", {}, estimate, " of future prints that complete meet every measured requirement; ", bound, make("span", { class: "asks" }, "Asked: " + tied(asked.requiredText) + ". "), verdict),
    make("div", { class: "track", "aria-hidden": "true" }, fill, least, mark), ...bars.map((bar) => bar.mini));
  const show = (share) => {
    estimate.textContent = percent(share.estimate);
    bound.textContent = "with " + tied(asked.boundText) + " confidence at least " + percent(share.bound, true) + ". ";
    verdict.textContent = share.bound >= asked.required ? "Shown by these prints." : share.estimate >= asked.required ? "Not shown by these prints." : "Not reached.";
    put(fill, 0, share.estimate);
    put(least, share.bound);
    Object.assign(element.dataset, { estimate: share.estimate, bound: share.bound, alone: JSON.stringify(share.alone) });
  };
  return { element, show, words: () => estimate.textContent + " meet every requirement, " + bound.textContent + verdict.textContent };
}

/* A desirability: two decimals; what is not 0 or 1 is not shown as such. */
const worthText = (value) => value === 0 || value === 1 ? String(value) : Math.min(0.99, Math.max(0.01, value)).toFixed(2);

function worthOf(bars) {
  const overall = make("strong", {}), least = make("span", { class: "verdict" }), fill = part("fill");
  const element = make("div", { class: "total" },
    make("p", {}, overall, " overall desirability of the predicted means, on a scale from 0 (worthless) to 1 (perfect). ", least),
    make("div", { class: "track", "aria-hidden": "true" }, fill), ...bars.map((bar) => bar.mini));
  const show = (worth) => {
    const lowest = worth.alone.indexOf(Math.min(...worth.alone));
    overall.textContent = worthText(worth.overall);
    least.textContent = bars.length > 1 ? "Least desirable: " + bars[lowest].element.dataset.response + " with " + worthText(worth.alone[lowest]) + "." : "";
    put(fill, 0, worth.overall);
    Object.assign(element.dataset, { overall: worth.overall });
  };
  return { element, show, words: () => overall.textContent + " overall desirability. " + least.textContent };
}

/* What to set on each printer; a star where no reference probe has read it. */
function printersOf(data) {
  const turned = data.printers.some((printer) => printer.turned.some((other) => other));
  if (!turned && !data.printers.some((printer) => printer.lines.some((line) => line))) return { element: null, show: () => {} };
  const cells = data.printers.map(() => data.factors.map(() => make("td", { class: "right" })));
  const table = make("table", {}, make("caption", {}, "Set on each printer"),
    make("thead", {}, make("tr", {}, make("th", { scope: "col" }, "Printer"), ...data.factors.map((factor) => make("th", { scope: "col", class: "right" }, factor.name + (factor.unit ? ", " + factor.unit : ""))))),
    make("tbody", {}, ...data.printers.map((printer, p) => make("tr", { data: { printer: printer.name } }, make("th", { scope: "row" }, printer.name), ...cells[p]))));
  const element = make("div", { class: "tabled" }, make("div", { class: "table", role: "region", tabindex: "0", "aria-label": "Set on each printer" }, table),
    make("p", { class: "note" }, "* No reference probe has checked this factor on this printer: the setpoint is the value itself. Beyond its checks no setpoint is given: read the probe there first."
      + (turned ? " \u2020 On this printer the other sign is closer to the plate: the setpoint is given as the printer shows it." : "")));
  const show = (places) => data.printers.forEach((printer, p) => data.factors.forEach((factor, i) => {
    const value = factor.values[places[i]], line = printer.lines[i], at = line ? setpoint(line, value) : value;
    const own = at !== null && printer.turned[i] ? 0 - at : at, mark = (line || factor.named || factor.ofLoad ? "" : "*") + (printer.turned[i] ? "\u2020" : "");
    cells[p][i].textContent = at === null ? "beyond its checks" : exactly(own) + mark;
  }));
  return { element, show };
}

setReport(read("report"), read("explorer"));
