"use strict";
/* The panel beside the map: what to look at first, find, narrow, tabs, copy. */
survey.panel = (() => {
  const { data, choice, marks, about, table, card } = survey;
  const { node } = table;
  const { clip } = survey.draw;
  const MOST_LETTERS = 40;
  const at = (id) => document.getElementById(id);
  const number = (value) => value.toLocaleString("en-US");
  const counted = (value, noun) => `${number(value)} ${noun}${value === 1 ? "" : "s"}`;

  function start() {
    fillSelects();
    fillBands();
    fillTotals();
    for (const key of ["district", "feeder", "status"]) {
      at(`narrow-${key}`).addEventListener("change", (event) => choice.change({ [key]: event.target.value }, { fit: true }));
    }
    at("clear").addEventListener("click", () => choice.change({ district: "", feeder: "", status: "", bands: new Set() }, { fit: true }));
    for (const button of document.querySelectorAll("[data-units]")) {
      button.addEventListener("click", () => choice.change({ units: button.dataset.units }));
    }
    at("print").addEventListener("click", () => window.print());
    at("page-back").addEventListener("click", () => table.turn(-1));
    at("page-on").addEventListener("click", () => table.turn(1));
    at("copy").addEventListener("click", copy);
    startTabs();
    startFind();
  }

  function fillTotals() {
    const told = (row, column) => data.text("switching_points", column, row);
    const points = Array.from({ length: data.rows("switching_points") }, (_, row) => row);
    const open = points.filter((row) => told(row, "state") === "open").length;
    const others = points.filter((row) => told(row, "state") !== "open" && (told(row, "tie_switch_id") || told(row, "tie_open_id"))).length;
    at("totals").textContent = ` · ${counted(data.rows("sites"), "site")}, ${counted(points.length - open - others, "switching point")}${open ? `, ${number(open)} more normally open` : ""}${others ? `, ${number(others)} more on rings or in loops fed from the other end` : ""}`;
    const left = [];
    if (survey.left.cables) left.push(`${number(survey.left.cables)} of ${number(about.counts.cables)} cables`);
    if (survey.left.paths) left.push(`${number(survey.left.paths)} walked paths`);
    if (survey.left.background) left.push("the background");
    if (about.findings_left_out) left.push(`${number(about.findings_left_out)} findings`);
    at("leftout").hidden = !left.length;
    at("leftout").textContent = `To keep this page small it leaves out ${left.join(", ")}. Those of high and severe sites come first; all are in survey.gpkg and findings.csv.`;
  }

  function fillSelects() {
    for (const key of ["district", "feeder", "status"]) {
      const texts = key === "status" ? [...choice.statuses()] : [...(data.blocks[`sites.${key}.texts`] || [])].filter(Boolean);
      texts.sort(new Intl.Collator("en", { numeric: true }).compare);
      const label = (text) => (key === "status" ? choice.statusLabel(text) : text);
      at(`narrow-${key}`).replaceChildren(node("option", { value: "", text: "All" }), ...texts.map((text) => node("option", { value: text, text: label(text) })));
    }
  }

  function fillBands() {
    for (const { key, label, shape, size, colour } of [...about.bands].reverse()) {
      const box = node("input", { type: "checkbox", value: key });
      box.addEventListener("change", () => {
        const bands = new Set(choice.state.bands);
        if (box.checked) bands.add(key);
        else bands.delete(key);
        choice.change({ bands }, { fit: true });
      });
      at("narrow-band").append(node("label", {}, box, marks.svg(shape, { size, colour }), node("span", { text: label }), node("span", { class: "tally", "data-band": key })));
    }
  }

  /* Sites of each band under the other choices: what a click on the band would show. */
  function tallies() {
    const counts = new Map();
    for (const row of choice.kept.sites) counts.set(marks.bandOf(row), (counts.get(marks.bandOf(row)) || 0) + 1);
    for (const tally of document.querySelectorAll("[data-band]")) tally.textContent = number(counts.get(tally.dataset.band) || 0);
  }

  function refresh({ part, narrows }) {
    const { state } = choice;
    if (narrows) {
      for (const key of ["district", "feeder", "status"]) at(`narrow-${key}`).value = state[key];
      for (const box of at("narrow-band").querySelectorAll("input")) box.checked = state.bands.has(box.value);
      tallies();
      at("clear").hidden = !choice.narrowed();
    }
    for (const button of document.querySelectorAll("[data-units]")) button.setAttribute("aria-pressed", String(button.dataset.units === state.units));
    for (const tab of document.querySelectorAll("[role=tab]")) {
      const active = tab.id === `tab-${state.tab}`;
      tab.setAttribute("aria-selected", String(active));
      tab.tabIndex = active ? 0 : -1;
      if (active) at("list").setAttribute("aria-labelledby", tab.id);
    }
    at("count").textContent = countText();
    if (narrows || "units" in part) showFirst();
    at("copied").textContent = "";
    table.show();
  }

  function countText() {
    const shown = choice.kept.sites.length;
    const all = data.rows("sites");
    if (shown !== all) return `${number(shown)} of ${counted(all, "site")} shown`;
    if (!all) return "This survey has no sites";
    return all === 1 ? "The only site is shown" : `All ${number(all)} sites shown`;
  }

  function showFirst() {
    const entries = choice.firstPoints(3);
    at("first-hint").classList.toggle("none", !entries.length);
    at("first-hint").textContent = entries.length
      ? "The single-pole points that most of the priority hangs on. The command survey plan works out which to replace for a budget."
      : nothingFirst();
    at("first-list").replaceChildren(...entries.map(firstItem));
  }

  function nothingFirst() {
    const urgent = choice.kept.sites.some((row) => about.first_bands.includes(marks.bandOf(row)));
    return urgent ? "No single-pole point exposes the severe and high sites in the normal state. The list tells their worst points, and in which state."
      : "Nothing shown here calls for a three-pole device.";
  }

  function firstItem({ point, sites, sum }) {
    const text = (column) => data.text("switching_points", column, point);
    const button = node("button", { type: "button", class: "id", text: clip(text("switch_id"), MOST_LETTERS), title: text("switch_id"), "data-kind": "point" });
    const cable = data.number("switching_points", "exposed_cable_m", point);
    const peak = data.number("switching_points", "peak_pu", point);
    const worst = sites[0];
    const why = [
      `${card.bandCounts(sites)} ${sites.length === 1 ? "site" : "sites"}`,
      Number.isNaN(cable) ? "" : `, ${data.length(cable, choice.state.units)} of cable behind it`,
      Number.isNaN(peak) ? "" : `, up to ${peak.toFixed(1)} times normal voltage`,
      `${sites.length === 1 ? ":" : "; worst"} ${clip(data.text("sites", "site_id", worst), MOST_LETTERS)}`,
    ].join("");
    const device = node("span", { class: "remark", text: ` ${text("switch_device") || "single-pole point"}${text("feeder") ? `, feeder ${clip(text("feeder"), MOST_LETTERS)}` : ""}` });
    const item = node("li", { "data-row": point, "data-sum": sum.toFixed(1) }, node("div", {}, button, device, node("p", { text: why, title: why })));
    item.addEventListener("click", () => choice.change({ kind: "point", row: point }, { fit: true }));
    return item;
  }

  function startTabs() {
    const tabs = [...document.querySelectorAll("[role=tab]")];
    const open = (tab) => choice.change({ tab: tab.id.slice(4), ...(tab.id === "tab-findings" ? { findings: true } : {}) });
    tabs.forEach((tab, place) => {
      tab.addEventListener("click", () => open(tab));
      tab.addEventListener("keydown", (event) => {
        const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
        if (!by) return;
        const next = tabs[(place + by + tabs.length) % tabs.length];
        open(next);
        next.focus();
      });
    });
  }

  /* Ids that begin with, then that hold, what was typed. */
  function matches(typed) {
    const wanted = typed.trim().toLowerCase();
    if (!wanted) return [];
    const [begin, within] = [[], []];
    for (const [kind, tableName, column] of [["site", "sites", "site_id"], ["point", "switching_points", "switch_id"]]) {
      for (let row = 0; row < data.rows(tableName); row += 1) {
        const place = data.text(tableName, column, row).toLowerCase().indexOf(wanted);
        if (place === 0 && begin.length < 8) begin.push({ kind, row, text: data.text(tableName, column, row) });
        else if (place > 0 && within.length < 8) within.push({ kind, row, text: data.text(tableName, column, row) });
      }
    }
    begin.sort((a, b) => a.text.length - b.text.length);
    return [...begin, ...within].slice(0, 8);
  }

  function startFind() {
    const input = at("find-id");
    const hits = at("find-hits");
    let found = [];
    let active = -1;
    const close = () => {
      hits.hidden = true;
      input.setAttribute("aria-expanded", "false");
      input.removeAttribute("aria-activedescendant");
    };
    const pick = (hit) => {
      if (!hit) return;
      close();
      input.value = hit.text;
      choice.change({ kind: hit.kind, row: hit.row }, { fit: true });
    };
    const mark = (next) => {
      active = next;
      [...hits.children].forEach((option, place) => option.setAttribute("aria-selected", String(place === active)));
      if (active >= 0) input.setAttribute("aria-activedescendant", `hit-${active}`);
    };
    input.addEventListener("input", () => {
      found = matches(input.value);
      hits.replaceChildren(...found.map((hit, place) => {
        const option = node("li", { role: "option", id: `hit-${place}`, "aria-selected": "false" }, node("b", { text: hit.text }),
          node("span", { class: "remark", text: hit.kind === "site" ? " site" : " switching point" }));
        option.addEventListener("mousedown", (event) => {
          event.preventDefault();
          pick(hit);
        });
        return option;
      }));
      const none = input.value.trim() && !found.length;
      if (none) hits.replaceChildren(node("li", { role: "option", "aria-disabled": "true", class: "remark", text: "No site or switching point has this name" }));
      hits.hidden = !found.length && !none;
      input.setAttribute("aria-expanded", String(!hits.hidden));
      mark(found.length ? 0 : -1);
    });
    input.addEventListener("keydown", (event) => {
      if (event.key === "ArrowDown" && found.length) mark((active + 1) % found.length);
      else if (event.key === "ArrowUp" && found.length) mark((active - 1 + found.length) % found.length);
      else if (event.key === "Escape") close();
      else return;
      event.preventDefault();
    });
    input.addEventListener("blur", close);
    at("find").addEventListener("submit", (event) => {
      event.preventDefault();
      pick(found[active]);
    });
  }

  async function copy() {
    const text = table.csv();
    let done = true;
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      done = copyBySelection(text);
    }
    at("copied").textContent = done ? `Copied ${number(table.count())} rows, in metres as in the survey's tables.` : "The browser did not allow copying.";
  }

  /* Pages opened from a folder may have no clipboard of their own. */
  function copyBySelection(text) {
    const area = node("textarea", { class: "offscreen", "aria-hidden": "true" });
    area.value = text;
    document.body.append(area);
    area.select();
    const done = document.execCommand("copy");
    area.remove();
    return done;
  }

  return { start, refresh };
})();
