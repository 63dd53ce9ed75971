"use strict";
/* The choice in the page's address, so that it can be mailed. */
survey.address = (() => {
  const { data, choice, about } = survey;
  const KINDS = { site: ["sites", "site_id"], point: ["switching_points", "switch_id"] };
  let written = "";
  let waiting = 0;

  function compose() {
    const { state } = choice;
    const parts = new URLSearchParams();
    for (const key of ["district", "feeder", "status"]) if (state[key]) parts.set(key, state[key]);
    if (state.bands.size) parts.set("bands", [...state.bands].join(","));
    if (state.kind in KINDS) parts.set(state.kind, data.text(...KINDS[state.kind], state.row));
    if (state.kind === "finding") parts.set("finding", String(state.row + 1));
    if (state.tab !== "sites") parts.set("list", state.tab);
    if (state.sort[state.tab] !== FIRST_SORT[state.tab]) parts.set("sort", state.sort[state.tab]);
    if (state.units !== about.units) parts.set("units", state.units);
    if (state.findings) parts.set("findings", "1");
    if (state.view) parts.set("view", state.view);
    return parts.toString();
  }

  const FIRST_SORT = { ...choice.state.sort };

  function write() {
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      const next = compose();
      if (next === written) return;
      written = next;
      /* a new choice is a step that Back takes back; a moved map is not */
      const step = opened && choiceIn(next) !== choiceIn(location.hash);
      history[step ? "pushState" : "replaceState"](null, "", `#${next}`);
      opened = true;
    }, 150);
  }

  let opened = false;

  function choiceIn(hash) {
    const parts = new URLSearchParams(hash.replace(/^#/, ""));
    return ["site", "point", "finding", "list", "district", "feeder", "status", "bands"].map((key) => parts.get(key) || "").join("\n");
  }

  function rowOf(kind, id) {
    const [table, column] = KINDS[kind];
    return (data.blocks[`${table}.${column}.texts`] || []).length ? findRow(table, column, id) : -1;
  }

  function findRow(table, column, id) {
    for (let row = 0; row < data.rows(table); row += 1) if (data.text(table, column, row) === id) return row;
    return -1;
  }

  /* What an address says, as a change of the choice; what it names and the survey has not is left out. */
  function read(hash) {
    const parts = new URLSearchParams(hash.replace(/^#/, ""));
    const part = { kind: "", row: -1, bands: new Set(), view: null, units: about.units, tab: "sites", findings: false };
    for (const key of ["district", "feeder", "status"]) {
      const wanted = parts.get(key) || "";
      part[key] = (key === "status" ? choice.statuses() : data.blocks[`sites.${key}.texts`] || []).includes(wanted) ? wanted : "";
    }
    const bands = (parts.get("bands") || "").split(",");
    for (const band of about.bands) if (bands.includes(band.key)) part.bands.add(band.key);
    for (const kind of Object.keys(KINDS)) {
      const row = parts.has(kind) ? rowOf(kind, parts.get(kind)) : -1;
      if (row >= 0) Object.assign(part, { kind, row });
    }
    const finding = Number(parts.get("finding")) - 1;
    if (Number.isInteger(finding) && finding >= 0 && finding < data.rows("findings")) Object.assign(part, { kind: "finding", row: finding });
    if (["metric", "us"].includes(parts.get("units"))) part.units = parts.get("units");
    if (["points", "findings"].includes(parts.get("list"))) part.tab = parts.get("list");
    if (/^\w+[+-]$/.test(parts.get("sort") || "")) part.sort = { ...FIRST_SORT, [part.tab]: parts.get("sort") };
    part.findings = parts.get("findings") === "1";
    if (/^-?[\d.]+,-?[\d.]+,[\d.]+$/.test(parts.get("view") || "")) part.view = parts.get("view");
    return part;
  }

  function isOurs(hash) {
    return hash.replace(/^#/, "") === written;
  }

  return { read, write, isOurs };
})();
