"use strict";
/* What the reader has chosen: a site, a point or a finding, what is narrowed, how it is sorted. One place, many listeners. */
survey.choice = (() => {
  const { data, about } = survey;
  const state = {
    district: "", feeder: "", status: "", bands: new Set(), units: about.units,
    tab: "sites", sort: { sites: "rank+", points: "top_priority-", findings: "severity+" },
    kind: "", row: -1, view: null, findings: false,
  };
  const listeners = [];
  const kept = { sites: new Int32Array(0), mask: new Uint8Array(0), points: new Int32Array(0), findings: new Int32Array(0) };

  function change(part, { fit = false, back = false } = {}) {
    const narrows = ["district", "feeder", "status", "bands"].some((key) => key in part);
    Object.assign(state, part);
    if (narrows) narrow();
    for (const listener of listeners) listener(state, { part, fit, narrows, back });
  }

  /* Close the card: back to the view from before it was opened. */
  function close() {
    change({ kind: "", row: -1 }, { back: true });
  }

  function codeOf(column, wanted) {
    const texts = data.blocks[`sites.${column}.texts`] || [];
    return texts.indexOf(wanted);
  }

  /* A test of one text column, quick for a hundred thousand rows. */
  function matcher(column, wanted) {
    if (!wanted) return () => true;
    if (column === "status") return (row) => statusOf(row) === wanted;
    const codes = data.blocks[`sites.${column}`];
    if (!codes) return (row) => data.text("sites", column, row) === wanted;
    const code = codeOf(column, wanted);
    return (row) => codes[row] === code;
  }

  function narrow() {
    const count = data.rows("sites");
    const tests = ["district", "feeder", "status"].map((column) => matcher(column, state[column]));
    const mask = new Uint8Array(count);
    const rows = [];
    const narrows = narrowed();
    for (let row = 0; narrows && row < count; row += 1) {
      if (!tests.every((test) => test(row))) continue;
      if (state.bands.size && !state.bands.has(survey.marks.bandOf(row))) continue;
      mask[row] = 1;
      rows.push(row);
    }
    kept.mask = narrows ? mask : mask.fill(1);
    kept.sites = narrows ? Int32Array.from(rows) : Int32Array.from({ length: count }, (_, row) => row);
    kept.points = keptPoints(!narrows);
    kept.findings = findings();
  }

  /* Switching points that expose a site that is shown. */
  function keptPoints(all) {
    const rows = [];
    for (let point = 0; point < data.rows("switching_points"); point += 1) {
      if (all || survey.network.exposedSites(point).some((row) => kept.mask[row])) rows.push(point);
    }
    return Int32Array.from(rows);
  }

  function narrowed() {
    return Boolean(state.district || state.feeder || state.status || state.bands.size);
  }

  /* The points that most of the risk hangs on: summed risk of the high and severe sites whose hazard each sets. */
  function firstPoints(most) {
    if (first.kept !== kept.sites) first = { kept: kept.sites, found: findFirst(3) };
    return first.found.slice(0, most);
  }

  let first = { kept: null, found: [] };

  function findFirst(most) {
    const sums = new Float64Array(data.rows("switching_points"));
    const riskOf = data.reader("sites", data.has("sites", "risk") ? "risk" : "priority");
    const urgent = (row) => about.first_bands.includes(survey.marks.bandOf(row));
    const loud = kept.sites.filter(urgent);
    const rows = (loud.length ? loud : kept.sites).filter((row) => settingPoint(row) >= 0 && riskOf(row) > 0);
    for (const row of rows) sums[settingPoint(row)] += riskOf(row);
    const found = [];
    for (let point = 0; point < sums.length; point += 1) {
      if (!sums[point] || (found.length === most && sums[point] <= found.at(-1).sum)) continue;
      found.push({ point, sum: sums[point] });
      found.sort((one, other) => other.sum - one.sum || one.point - other.point);
      found.length = Math.min(found.length, most);
    }
    return found.map((entry) => ({ ...entry, sites: [...rows.filter((row) => settingPoint(row) === entry.point)] }));
  }

  /* Findings that name a site or point that is shown; all of them while nothing is narrowed. */
  function findings() {
    const all = Array.from({ length: data.rows("findings") }, (_, row) => row);
    if (!narrowed()) return Int32Array.from(all);
    const shown = new Set();
    for (const row of kept.sites) shown.add(data.text("sites", "site_id", row));
    for (const row of kept.points) shown.add(data.text("switching_points", "switch_id", row));
    return Int32Array.from(all.filter((row) => data.text("findings", "ids", row).split(" ").some((id) => shown.has(id))));
  }

  function settingPoint(row) {
    const worst = data.blocks["sites.worst_row"][row];
    return worst >= 0 ? worst : data.blocks["sites.switch_row"][row];
  }

  /* Whether only another state than the normal one exposes a site. */
  function inState(row) {
    return settingPoint(row) < 0 && data.text("sites", "tie_worst_id", row) !== "";
  }

  function tiePoint(row) {
    const id = data.text("sites", "tie_worst_id", row);
    return id ? data.rowOf("switching_points", "switch_id", id) : -1;
  }

  /* The worst point of a site, of another state where the normal one has none. */
  function worstPoint(row) {
    return inState(row) ? tiePoint(row) : settingPoint(row);
  }

  /* The same where its row tells of the section that the site lies in: its figures may be of another state than the site's. */
  function sectionPoint(row) {
    const point = worstPoint(row);
    return inState(row) && point >= 0 && stateOf("sites", row) !== stateOf("switching_points", point) ? -1 : point;
  }

  /* Devices closed and open; a normally open point with figures is itself closed. */
  function stateOf(table, row) {
    const own = table === "switching_points" && data.text(table, "state", row) === "open" ? data.text(table, "switch_id", row) : "";
    return [data.text(table, "tie_switch_id", row) || own, data.text(table, "tie_open_id", row)].join("\n");
  }

  const OF_STATE = { worst_peak_pu: "tie_peak_pu", worst_cable_m: "tie_cable_m", worst_switch_id: "tie_worst_id", hold_kw: "tie_hold_kw" };

  /* The column that tells a site's figure: of the state that exposes it, where the normal one does not. */
  function toldBy(column, row) {
    return column in OF_STATE && inState(row) ? OF_STATE[column] : column;
  }

  /* Status as sites are narrowed by: a ring that the survey opened has a band. */
  function statusOf(row) {
    const status = data.text("sites", "status", row);
    return status === "looped" && survey.marks.bandOf(row) ? "looped_decided" : status;
  }

  let known = null;

  function statuses() {
    known ??= [...new Set(Array.from({ length: data.rows("sites") }, (_, row) => statusOf(row)))].filter(Boolean);
    return known;
  }

  const STATUS_LABELS = { assessed: "Assessed", looped_decided: "On a ring, decided", ...Object.fromEntries(about.statuses.map((mark) => [mark.key, mark.label])) };

  return { inState, tiePoint, worstPoint, sectionPoint, toldBy, statuses, statusLabel: (key) => STATUS_LABELS[key] || key, state, kept, change, close, narrow, narrowed, firstPoints, settingPoint, listen: (listener) => listeners.push(listener) };
})();
