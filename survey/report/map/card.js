"use strict";
/* The card of what is chosen: its numbers with units, what to do, where to look next. */
survey.card = (() => {
  const { data, network, choice, marks, table, about } = survey;
  const { node } = table;
  const element = document.getElementById("card");
  const OF_STATE = ["tie_peak_pu", "tie_cable_m", "tie_hold_kw"];
  const MAIN = {
    sites: ["priority", "score", ...OF_STATE, "worst_peak_pu", "worst_cable_m", "peak_pu", "peak_loaded_pu", "likelihood", "exposed_cable_m", "path_length_m", "limit_length_m",
      "hold_kw", "arrester_w", "one_phase_kva", "kva", "connection", "customers"],
    switching_points: ["address", "state", "tie_switch_id", "tie_open_id", "top_priority", "hold_kw", "exposed_sites", "exposed_kva", "exposed_cable_m", "peak_pu", "likelihood", "nearest_for"],
  };
  const OF_NEAREST = new Set(["peak_pu", "peak_loaded_pu", "likelihood", "exposed_cable_m", "path_length_m", "limit_length_m"]);
  const OF_WORST = new Set(["worst_peak_pu", "worst_cable_m"]);
  const NONE = new Set(["limit_length_m", "one_phase_kva"]);
  const ELSEWHERE = new Set(["strip", "site_id", "switch_id", "switch_device", "worst_switch_id", "gang_switch_id", "action", "notes", "rank", "band", "status"]);

  function show() {
    const { kind } = choice.state;
    const makers = { site: siteCard, point: pointCard, finding: findingCard };
    const held = document.activeElement;
    const wasOpen = !element.hidden;
    element.hidden = !(kind in makers);
    document.body.classList.toggle("has-card", !element.hidden);
    element.replaceChildren(...(element.hidden ? [] : makers[kind](choice.state.row)));
    element.scrollTop = 0;
    keepFocus(held, wasOpen);
  }

  /* What had the keyboard may be gone: then the card's name takes it, or the row it was opened from. */
  function keepFocus(held, wasOpen) {
    if (held && held !== document.body && held.isConnected && held.offsetParent) return;
    if (held === document.body && !wasOpen && element.hidden) return;
    if (!element.hidden && held !== document.body) element.querySelector("h2").focus();
    else if (wasOpen && element.hidden) table.focusChosen();
  }

  function head(over, id, ...beside) {
    const close = node("button", { type: "button", class: "close", text: "Close", "aria-label": "Close and go back to the list" });
    close.addEventListener("click", () => choice.close());
    return node("header", {}, node("div", {}, node("p", { class: "over", text: over }), node("h2", { text: id, tabindex: "-1" }), ...beside), close);
  }

  function siteCard(row) {
    const text = (column) => data.text("sites", column, row);
    const band = node("p", { class: "band" }, marks.svgOfSite(row), node("span", { text: bandLine(row) }));
    const cards = [head(whereOf(text), text("site_id"), band)];
    if (text("action")) cards.push(node("p", { class: "action", text: text("action") }));
    const hold = data.shown("sites", choice.toldBy("hold_kw", row), row);
    cards.push(siteLinks(row), ...survey.strip.of(choice.sectionPoint(row), hold === "–" ? "" : hold), ...riskBars(row), ...survey.wave.of(row), numbers("sites", row));
    if (data.number("sites", "hazard", row) > 0) cards.push(node("p", { class: "hint", text: about.longer_cable }));
    if (text("notes")) cards.push(node("h3", { text: "Notes" }), node("p", { class: "notes", text: text("notes") }));
    cards.push(allNumbers("sites", row));
    return cards;
  }

  function whereOf(text) {
    return ["Site", text("feeder") && `feeder ${text("feeder")}`, text("district") && `district ${text("district")}`].filter(Boolean).join(" · ");
  }

  function bandLine(row) {
    const band = marks.bandOf(row);
    const rank = data.number("sites", "rank", row);
    const place = `rank ${rank.toLocaleString("en-US")} of ${data.rows("sites").toLocaleString("en-US")}`;
    if (!band) return `${marks.markOf(row).label} · ${place}`;
    return `${marks.bandLabel(band)} · ${place}`;
  }

  function siteLinks(row) {
    const near = data.blocks["sites.switch_row"][row];
    const worst = data.blocks["sites.worst_row"][row];
    const items = [];
    if (worst >= 0 && worst !== near) {
      items.push(link("Worst switching point", "point", worst, "sets the score and the action; band and path on the map lead to it"));
      items.push(link("Nearest switching point", "point", near, "the thin ring on the map"));
    } else if (near >= 0) items.push(link("Switching point", "point", near, "the nearest, and the worst"));
    else items.push(node("li", { text: choice.inState(row) ? "No single-pole switching point exposes it in the normal state." : "No single-pole switching point upstream." }));
    items.push(...stateLink(row));
    const gang = data.text("sites", "gang_switch_id", row);
    if (gang) items.push(node("li", {}, node("span", { text: "Three-pole device on the way: " }), node("b", { text: gang })));
    const path = network.pathLines(row);
    if (!path.complete) items.push(node("li", { class: "note", text: "Its walked path is not in this page; it is in survey.gpkg." }));
    const point = choice.sectionPoint(row);
    if (point >= 0 && !network.sectionLines(point).complete) items.push(incomplete());
    return node("ul", { class: "links" }, ...items);
  }

  /* The worst point in the worst other state, with its figures then; they stand below where a site has no others. */
  function stateLink(row) {
    const point = choice.tiePoint(row);
    if (point < 0) return [];
    const label = `With ${data.stateWords("sites", row)}, worst point`;
    if (choice.inState(row)) return [link(label, "point", point, choice.sectionPoint(row) < 0 ? "the map does not draw the section of this state" : "")];
    const [cable, peak] = ["tie_cable_m", "tie_peak_pu"].map((column) => data.number("sites", column, row));
    const told = [
      !Number.isNaN(cable) && `${data.length(cable, choice.state.units)} of cable`,
      !Number.isNaN(peak) && `up to ${peak.toFixed(1)} times normal voltage`,
    ];
    return [link(label, "point", point, told.filter(Boolean).join(", "))];
  }

  function incomplete() {
    return node("li", { class: "note", text: "Part of this exposed section is not in this page; it is in survey.gpkg." });
  }

  function link(label, kind, row, remark) {
    const [tableName, column] = kind === "site" ? ["sites", "site_id"] : ["switching_points", "switch_id"];
    const button = node("button", { type: "button", class: "id", text: data.text(tableName, column, row), "data-kind": kind });
    button.addEventListener("click", () => choice.change({ kind, row }, { fit: true }));
    return node("li", {}, node("span", { text: `${label} ` }), button, ...(remark ? [node("span", { class: "remark", text: ` ${remark}` })] : []));
  }

  function pointCard(row) {
    const text = (column) => data.text("switching_points", column, row);
    const exposed = network.exposedSites(row).sort((a, b) => a - b);
    const cards = [
      head(["Switching point", text("switch_device"), text("feeder") && `feeder ${text("feeder")}`].filter(Boolean).join(" · "), text("switch_id")),
      node("p", { class: "action", text: reason(row, exposed) }),
      ...survey.strip.of(row, holdOf(row, exposed)),
      numbers("switching_points", row),
    ];
    if (!network.sectionLines(row).complete) cards.push(node("ul", { class: "links" }, incomplete()));
    cards.push(node("h3", { text: exposed.length === 1 ? "The site it exposes" : `The ${exposed.length.toLocaleString("en-US")} sites it exposes` }), exposedTable(exposed));
    cards.push(allNumbers("switching_points", row));
    return cards;
  }

  /* The load to hold on a point's section: that of any site whose worst point it is. */
  function holdOf(row, exposed) {
    const site = exposed.find((one) => choice.sectionPoint(one) === row);
    const hold = site === undefined ? "–" : data.shown("sites", choice.toldBy("hold_kw", site), site);
    return hold === "–" ? "" : hold;
  }

  /* Why a point matters, in a sentence. */
  function reason(row, exposed) {
    const counts = survey.choice.state && bandCounts(exposed);
    const bands = counts ? ` (${counts})` : "";
    const cable = data.number("switching_points", "exposed_cable_m", row);
    const peak = data.number("switching_points", "peak_pu", row);
    const behind = Number.isNaN(cable) ? "" : ` behind ${data.length(cable, choice.state.units)} of cable`;
    const reach = Number.isNaN(peak) ? "" : `, up to ${peak.toFixed(1)} times normal voltage with no load`;
    const others = data.stateWords("switching_points", row);
    return `${others ? `With ${others}, operated` : "Operated"} one pole at a time it leaves ${exposed.length === 1 ? "1 site" : `${exposed.length} sites`}${bands}${behind} on the open pole${reach}.`;
  }

  function bandCounts(rows) {
    const bands = [...survey.about.bands].reverse();
    const counts = bands.map(({ key, label }) => [rows.filter((row) => marks.bandOf(row) === key).length, label.toLowerCase()])
      .filter(([count]) => count).map(([count, label]) => `${count} ${label}`);
    return counts.length > 1 ? `${counts.slice(0, -1).join(", ")} and ${counts.at(-1)}` : counts.join("");
  }

  function exposedTable(rows) {
    const MOST = 100;
    const body = rows.slice(0, MOST).map((row) => {
      const button = node("button", { type: "button", class: "id", text: data.text("sites", "site_id", row), "data-kind": "site" });
      button.addEventListener("click", () => choice.change({ kind: "site", row }, { fit: true }));
      return node("tr", {}, node("td", { class: "text" }, marks.svgOfSite(row, 0.85)), node("th", { scope: "row", class: "text" }, button),
        node("td", { class: "number", text: data.plain("sites", "priority", row) || "–" }),
        node("td", { class: "number", text: data.brief("sites", "kva", row, choice.state.units) }));
    });
    const top = node("thead", {}, node("tr", {}, ...["Band", "Site", "Priority", "Rating"].map((text, i) => node("th", { scope: "col", text, class: i < 2 ? "text" : "number" }))));
    const made = [node("table", { class: "exposed" }, top, node("tbody", {}, ...body))];
    if (rows.length > MOST) made.push(node("p", { class: "hint", text: `The first ${MOST} by rank.` }));
    return node("div", {}, ...made);
  }

  function numbers(name, row) {
    const columns = MAIN[name].map((column) => data.described.get(`${name}.${column}`)).filter(Boolean);
    const kept = columns.filter(({ column, kind }) => (kind === "text" ? data.text(name, column, row) : !Number.isNaN(data.number(name, column, row))));
    /* figures of one point only, the one that sets the score; a limit or a rating of nothing tells nothing */
    const others = name !== "sites" ? new Set() : hiddenOfSite(row);
    const told = kept.filter(({ column }) => !others.has(column) && !(NONE.has(column) && data.number(name, column, row) < 1));
    return figures("numbers", told.map((column) => pair(name, column, row)));
  }

  function hiddenOfSite(row) {
    const hidden = choice.settingPoint(row) === data.blocks["sites.switch_row"][row] ? OF_WORST : OF_NEAREST;
    return choice.inState(row) ? hidden : new Set([...hidden, ...OF_STATE]);
  }

  function pair(name, column, row) {
    return node("tr", { "data-column": column.column }, node("th", { scope: "row", text: column.alias, title: column.description }),
      node("td", { text: data.brief(name, column.column, row, choice.state.units) + interval(name, column.column, row) }));
  }

  /* The ends between which the score lies, when they are known. */
  function interval(name, column, row) {
    if (column !== "score" || !data.described.has(`${name}.score_low`)) return "";
    const [low, high] = ["score_low", "score_high"].map((end) => data.brief(name, end, row).replace(" of 100", ""));
    return low === "–" || high === "–" ? "" : ` (${low}–${high})`;
  }

  function figures(kind, lines) {
    return node("table", { class: `figures ${kind}` }, node("tbody", {}, ...lines));
  }

  function allNumbers(name, row) {
    const lines = data.columns[name].filter(({ column, description }) => description && !ELSEWHERE.has(column)).map((column) => node("tr", { "data-column": column.column },
      node("th", { scope: "row" }, node("b", { text: column.alias }), node("span", { class: "remark", text: column.description })),
      node("td", { text: data.shown(name, column.column, row, choice.state.units) })));
    return node("details", { class: "all" }, node("summary", { text: "All numbers, and what they mean" }), figures("meanings", lines));
  }

  function findingCard(row) {
    const text = (column) => data.text("findings", column, row);
    return [
      head(`Data finding · ${text("severity")} · layer ${text("layer")}`, data.shown("findings", "rule", row)),
      node("p", { class: "action", text: text("message") }),
      figures("numbers", [pair("findings", data.described.get("findings.count"), row)]),
      node("h3", { text: "What it is about" }),
      node("ul", { class: "ids" }, ...text("ids").split(" ").filter(Boolean).map(assetItem)),
      node("p", { class: "hint", text: data.placed("findings", row) ? "Its place is marked on the map." : "It has no single place on the map." }),
    ];
  }

  /* An id; of a site or switching point, a way to it. */
  function assetItem(id) {
    for (const [kind, tableName, column] of [["site", "sites", "site_id"], ["point", "switching_points", "switch_id"]]) {
      const row = data.rowOf(tableName, column, id);
      if (row < 0) continue;
      const button = node("button", { type: "button", class: "id", text: id, "data-kind": kind });
      button.addEventListener("click", () => choice.change({ kind, row }, { fit: true }));
      return node("li", {}, button);
    }
    return node("li", { text: id });
  }

  /* What makes the risk: four bars, each to its own whole; multiplied they are what the worst point adds. */
  function riskBars(row) {
    const point = choice.settingPoint(row);
    if (point < 0 || marks.bandOf(row) === "" || marks.bandOf(row) === "low") return [];
    const most = about.most_ops_year;
    const whole = about.most_consequence;
    const bars = [
      ["Operations a year", data.number("switching_points", "ops_year", point), most, (v) => `${v} of at most ${most}`],
      ["Share that rings", data.number("switching_points", "likelihood", point), 1, (v) => `${Math.round(v * 100)} %`],
      ["Severity", data.number("sites", "hazard", row), 100, (v) => `${Math.round(v)} of 100`],
      ["Consequence", data.blocks["sites.consequence"][row] / 100, whole, (v) => `${v.toFixed(2)} of ${whole.toFixed(2)}`],
    ].filter(([, number]) => !Number.isNaN(number));
    const lines = bars.map(([label, number, of, words]) => {
      const bar = node("span", { class: "bar", "aria-hidden": "true" }, node("i"));
      bar.firstChild.style.width = `${Math.max(1.5, Math.min(100, (100 * number) / of))}%`;
      return node("li", {}, node("span", { text: label }), bar, node("b", { text: words(number) }));
    });
    return [node("h3", { text: "Why it ranks here" }), node("ul", { class: "bars" }, ...lines)];
  }

  return { show, bandCounts };
})();
