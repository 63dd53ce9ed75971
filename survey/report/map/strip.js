"use strict";
/* The exposed section as a strip: from the switching point down to its last transformer, as a crew draws it. */
survey.strip = (() => {
  const { data, choice, marks } = survey;
  const { node } = survey.table;
  const LENGTH = /^([\d.]+) m (cable|overhead)$/;
  const BRANCH = /^@(.*?)((?:, [\d.]+ m (?:cable|overhead))*)$/;
  const rowOfSite = (id) => data.rowOf("sites", "site_id", id);

  /* Parts of a strip: kind, id or words, metres. */
  function parse(text) {
    return text.split(" | ").filter(Boolean).map((part) => {
      const length = LENGTH.exec(part);
      if (length) return { kind: length[2], metres: Number(length[1]) };
      return { kind: { "/": "point", "=": "gang", "@": "site", "+": "branch" }[part[0]], id: part.slice(1) };
    });
  }

  function metres(text) {
    return text.replace(/([\d.]+) m (cable|overhead)/g, (_, length, kind) => `${data.length(Number(length), choice.state.units)} of ${kind === "cable" ? "cable" : "overhead line"}`);
  }

  function item({ kind, id, metres: length }) {
    if (length !== undefined) return node("li", { class: kind }, node("span", { text: metres(`${length} m ${kind}`) }));
    if (kind === "branch") {
      const [, site, lengths] = BRANCH.exec(id) || [];
      const row = site === undefined ? -1 : rowOfSite(site);
      const words = site === undefined ? id : `${row >= 0 ? describe(row) : site}${lengths}`;
      return node("li", { class: "branch" }, node("i", { text: "⎣" }), ...(row >= 0 ? [marks.svgOfSite(row, 0.7)] : []), node("span", { text: `branch: ${metres(words)}` }));
    }
    if (kind === "site") {
      const row = rowOfSite(id);
      return node("li", { class: "thing" }, node("i", {}, row >= 0 ? marks.svgOfSite(row, 0.85) : ""), node("span", {}, node("b", { text: id }), node("span", { text: row >= 0 ? ` ${rating(row)}` : "" })));
    }
    const row = kind === "point" ? data.rowOf("switching_points", "switch_id", id) : -1;
    const mark = row >= 0 ? marks.svgOfPoint(row, 12) : kind === "point" ? marks.svg("point", { size: 12, colour: survey.about.paper }) : marks.svg("square", { size: 9, colour: marks.INK });
    return node("li", { class: "thing" }, node("i", {}, mark), node("span", {}, node("b", { text: id }), node("span", { text: kind === "gang" ? " three-pole device" : "" })));
  }

  function rating(row) {
    return `${data.shown("sites", "kva", row, choice.state.units).replace(/\.0(?!\d)/, "")} ${data.text("sites", "connection", row).replaceAll("_", " ")}`;
  }

  function describe(row) {
    return `${data.text("sites", "site_id", row)} ${rating(row)}`;
  }

  /* The strip of a point; the load to hold stands at its head. Nothing where the survey drew none. */
  function of(point, hold) {
    const text = point >= 0 ? data.text("switching_points", "strip", point) : "";
    if (!text) return [];
    const parts = parse(text);
    const list = node("ol", { class: "strip", "aria-label": "From the switching point to its last transformer" }, ...parts.map(item));
    if (hold) list.firstChild.append(node("strong", { class: "hold", text: `hold ${hold}` }));
    return [node("h3", { text: "The section behind it, on one line" }), list];
  }

  return { of, parse };
})();
