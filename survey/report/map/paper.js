"use strict";
/* On paper: what is shown, named in the title; one page of map at a stated scale; every row of the list. */
survey.paper = (() => {
  const { data, choice, marks, about } = survey;
  const { node } = survey.table;
  const at = (id) => document.getElementById(id);
  const WIDTH_MM = 180;
  const HEIGHT_MM = 175;
  const PX_PER_MM = 96 / 25.4;
  const STEPS = [1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10];
  const MOST_ROWS = 3000;
  let before = null;

  /* The next round scale that a needed one fits into. */
  function roundScale(needed) {
    const power = 10 ** Math.floor(Math.log10(needed));
    return power * STEPS.find((step) => step * power >= needed * 0.999999);
  }

  function metresPerPx(map, zoom) {
    const { lat } = map.getCenter();
    return (Math.cos((lat * Math.PI) / 180) * 40075016.686) / (256 * 2 ** zoom);
  }

  /* The map as large as the page, at a round scale that shows all that is shown or chosen. */
  function prepare(map) {
    before = { centre: map.getCenter(), zoom: map.getZoom(), snap: map.options.zoomSnap };
    const frame = at("mapframe");
    frame.style.width = `${WIDTH_MM}mm`;
    frame.style.height = `${HEIGHT_MM}mm`;
    document.documentElement.classList.add("on-paper");
    map.options.zoomSnap = 0;
    map.invalidateSize({ animate: false, pan: false });
    const bounds = survey.extent.bounds();
    if (bounds) map.fitBounds(bounds, { padding: [26, 26], maxZoom: 18, animate: false });
    const scale = roundScale((metresPerPx(map, map.getZoom()) * PX_PER_MM) * 1000);
    map.setZoom(map.getZoom() + Math.log2((metresPerPx(map, map.getZoom()) * PX_PER_MM * 1000) / scale), { animate: false });
    at("paper-title").textContent = title();
    at("paper-scale").textContent = `Scale 1:${scale.toLocaleString("en-US").replaceAll(",", " ")} on paper printed at its full size. North is up.`;
    at("paper-list").replaceChildren(...list());
  }

  function restore(map) {
    if (!before) return;
    document.documentElement.classList.remove("on-paper");
    at("mapframe").removeAttribute("style");
    at("paper-list").replaceChildren();
    map.invalidateSize({ animate: false, pan: false });
    map.setView(before.centre, before.zoom, { animate: false });
    map.options.zoomSnap = before.snap;
    before = null;
  }

  function title() {
    const { state } = choice;
    const bands = about.bands.filter(({ key }) => state.bands.has(key)).map(({ label }) => label.toLowerCase()).reverse();
    const parts = [state.district && `District ${state.district}`, state.feeder && `Feeder ${state.feeder}`,
      state.status && choice.statusLabel(state.status).toLowerCase(), bands.length && `${bands.join(" and ")} only`].filter(Boolean);
    return parts.join(", ") || "All districts";
  }

  function list() {
    const columns = ["rank", "site_id", "band", "worst_switch_id", "worst_device", "worst_cable_m", "worst_peak_pu", "hold_kw"].filter((column) => data.described.has(`sites.${column}`));
    const rows = Array.from(choice.kept.sites.subarray(0, MOST_ROWS));
    const heads = columns.map((column) => {
      const described = data.described.get(`sites.${column}`);
      return node("th", { scope: "col", text: `${described.alias}${data.unitText(described, choice.state.units).replace(/^ of 100/, "").replace(/^(.)/, ",$1")}`, class: described.kind === "text" ? "text" : "number" });
    });
    const body = rows.map((row) => node("tr", {}, ...columns.map((column) => cell(column, row))));
    const said = rows.length < choice.kept.sites.length ? `The first ${rows.length} of ${choice.kept.sites.length} sites by rank; all are in sites.csv.` : `${rows.length} ${rows.length === 1 ? "site" : "sites"} by rank.`;
    return [node("p", { class: "hint", text: said }), node("table", {}, node("thead", {}, node("tr", {}, ...heads)), node("tbody", {}, ...body))];
  }

  function cell(column, row) {
    if (column === "band") return node("td", { class: "text" }, marks.svgOfSite(row, 0.75), node("span", { text: ` ${marks.markOf(row).label}` }));
    const told = choice.toldBy(column, row);
    const number = data.described.get(`sites.${told}`).kind !== "text";
    const state = column === "worst_switch_id" && told !== column ? `, with ${data.stateWords("sites", row)}` : "";
    return node("td", { class: number ? "number" : "text", text: number ? data.brief("sites", told, row, choice.state.units).replace(/ (m|ft|pu|kW)$/, "") : (data.text("sites", told, row) || "–") + state });
  }

  return { prepare, restore, roundScale, active: () => before !== null };
})();
