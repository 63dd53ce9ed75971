"use strict";
/* The ranked tables: sites, switching points, findings. Sorted, in pages, copied as CSV. */
survey.table = (() => {
  const { data, choice, marks } = survey;
  const PAGE = 50;
  const element = document.getElementById("table");
  let page = 0;
  let ordered = new Int32Array(0);
  let shownFor = [];

  const LISTS = {
    sites: {
      table: "sites", kind: "site", id: "site_id", noun: "sites",
      columns: () => ["rank", "site_id", "priority", ...explaining()],
      rows: () => choice.kept.sites,
    },
    points: {
      table: "switching_points", kind: "point", id: "switch_id", noun: "switching points",
      columns: () => ["switch_id", "switch_device", "exposed_sites", "exposed_cable_m", "top_priority"],
      rows: () => choice.kept.points,
    },
    findings: {
      table: "findings", kind: "finding", id: "rule", noun: "findings",
      columns: () => ["severity", "rule", data.has("findings", "sites") ? "sites" : "count"],
      rows: () => choice.kept.findings,
    },
  };
  /* What explains a priority: numbers of the worst point, which sets it; without a study its part is played by Xc/Xm. */
  function explaining() {
    if (data.has("sites", "worst_peak_pu") || data.has("sites", "tie_peak_pu")) return ["worst_peak_pu", "worst_cable_m", "worst_switch_id"];
    return data.has("sites", "worst_cable_m") || data.has("sites", "tie_cable_m") ? ["xc_xm", "worst_cable_m", "worst_switch_id"] : ["xc_xm", "exposed_cable_m", "switch_id"];
  }

  const SHORT = { peak_pu: "Peak", rank: "Rank", exposed_cable_m: "Exposed cable", switch_id: "Switching point", top_priority: "Top priority" };

  function node(name, { text, ...attributes } = {}, ...children) {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    for (const [key, value] of Object.entries(attributes)) {
      if (value !== undefined && value !== false) made.setAttribute(key, value === true ? "" : value);
    }
    made.append(...children);
    return made;
  }

  function list() {
    return LISTS[choice.state.tab];
  }

  /* Rows in the order asked for; empty values last, equal ones by their place in the table. */
  function sorted() {
    const { table, rows } = list();
    const wanted = choice.state.sort[choice.state.tab];
    const column = wanted.slice(0, -1);
    const sign = wanted.endsWith("-") ? -1 : 1;
    const about_column = data.described.get(`${table}.${column}`);
    const chosen = Int32Array.from(rows());
    if (!about_column) return chosen;
    if (about_column.kind === "text") {
      const collator = new Intl.Collator("en", { numeric: true });
      const texts = new Map(Array.from(chosen, (row) => [row, sortText(table, column, row)]));
      return chosen.sort((a, b) => compareEmpty(texts.get(a), texts.get(b)) || sign * collator.compare(texts.get(a), texts.get(b)) || a - b);
    }
    if (wanted === "rank+") return chosen;
    const keys = new Float64Array(data.rows(table));
    for (const row of chosen) {
      const value = data.number(table, toldBy(table, column, row), row);
      keys[row] = Number.isNaN(value) ? Infinity : sign * value;
    }
    return chosen.sort((a, b) => (keys[a] === keys[b] ? a - b : keys[a] - keys[b]));
  }

  function sortText(table, column, row) {
    const text = data.text(table, toldBy(table, column, row), row);
    return column === "severity" ? String(["error", "warning", "assumed"].indexOf(text)) : text;
  }

  function compareEmpty(a, b) {
    return (a === "") - (b === "");
  }

  /* Sorts again only when the order can have changed; turns to the page of what is chosen. */
  function show() {
    const { state, kept } = choice;
    const key = [state.tab, state.sort[state.tab], kept.sites, kept.points, kept.findings];
    if (!key.every((value, place) => value === shownFor[place])) {
      ordered = sorted();
      page = 0;
    }
    shownFor = key;
    const chosen = state.kind === list().kind ? ordered.indexOf(state.row) : -1;
    if (chosen >= 0) page = Math.floor(chosen / PAGE);
    fill();
  }

  function fill() {
    const { noun, columns, table } = list();
    const focused = element.tBodies[0].contains(document.activeElement);
    element.className = choice.state.tab;
    element.caption.textContent = `${noun[0].toUpperCase()}${noun.slice(1)}, ${describeSort()}`;
    element.tHead.replaceChildren(node("tr", {}, ...columns().map((column) => headCell(table, column))));
    const rows = Array.from(ordered.subarray(page * PAGE, (page + 1) * PAGE));
    element.tBodies[0].replaceChildren(...rows.map(bodyRow));
    if (focused) focusChosen();
    const last = Math.min(ordered.length, (page + 1) * PAGE);
    const place = ordered.length ? `${(page * PAGE + 1).toLocaleString("en-US")}–${last.toLocaleString("en-US")} of ${ordered.length.toLocaleString("en-US")}` : `No ${noun}`;
    document.getElementById("page-place").textContent = place;
    document.getElementById("page-back").disabled = page === 0;
    document.getElementById("page-on").disabled = last >= ordered.length;
    document.getElementById("copy").disabled = ordered.length === 0;
  }

  function describeSort() {
    const wanted = choice.state.sort[choice.state.tab];
    const about_column = data.described.get(`${list().table}.${wanted.slice(0, -1)}`);
    return about_column ? `by ${about_column.alias.toLowerCase()}${wanted.endsWith("-") ? ", greatest first" : ""}` : "";
  }

  function headCell(table, column) {
    const about_column = data.described.get(`${table}.${column}`);
    const wanted = choice.state.sort[choice.state.tab];
    const active = wanted.slice(0, -1) === column;
    const direction = active ? (wanted.endsWith("-") ? "descending" : "ascending") : "none";
    const unit = about_column.unit === "0-100" ? "" : data.unitText(about_column, choice.state.units);
    const button = node("button", { type: "button", text: SHORT[column] || about_column.alias, title: about_column.description });
    if (unit) button.append(node("span", { class: "unit", text: unit }));
    button.addEventListener("click", () => sortBy(column, about_column.kind === "text"));
    return node("th", { scope: "col", "aria-sort": direction, class: about_column.kind === "text" ? "text" : "number" }, button);
  }

  function sortBy(column, isText) {
    const { state } = choice;
    const now = state.sort[state.tab];
    const rising = isText || column === "rank" ? "+" : "-";
    const next = now === `${column}${rising}` ? (rising === "+" ? "-" : "+") : rising;
    choice.change({ sort: { ...state.sort, [state.tab]: `${column}${next}` } });
    const again = [...element.tHead.querySelectorAll("th")].find((cell) => cell.getAttribute("aria-sort") !== "none");
    if (again) again.firstChild.focus();
  }

  function bodyRow(row) {
    const { table, kind, columns, id } = list();
    const chosen = choice.state.kind === kind && choice.state.row === row;
    const line = node("tr", { class: chosen ? "chosen" : undefined, "data-row": row });
    for (const column of columns()) line.append(bodyCell({ table, column, row, isId: column === id, kind, chosen }));
    line.addEventListener("click", () => choice.change({ kind, row }, { fit: true }));
    return line;
  }

  function bodyCell({ table, column, row, isId, kind, chosen }) {
    const about_column = data.described.get(`${table}.${toldBy(table, column, row)}`);
    const state = about_column.column !== column && `With ${data.stateWords(table, row)}`;
    const cell = node(isId ? "th" : "td", { class: `${about_column.kind === "text" ? "text" : "number"}${state ? " state" : ""}`, scope: isId ? "row" : undefined, title: state });
    const text = cellText(about_column, table, row);
    if (column === "rank") cell.append(marks.svgOfSite(row, 0.85), node("span", { text }));
    else if (isId) cell.append(node("button", { type: "button", class: "id", text, "aria-pressed": String(chosen), "data-kind": kind }));
    else cell.textContent = text;
    if (state && column === "worst_switch_id") cell.append(...data.stateParts(table, row).map((part) => remark(part)));
    if (column === "switch_id" && isId && stateRemark(row)) cell.append(remark(stateRemark(row), data.stateWords(table, row)));
    if (column === "rule") cell.append(node("p", { text: data.text(table, "message", row) }));
    return cell;
  }

  const toldBy = (table, column, row) => (table === "sites" ? choice.toldBy(column, row) : column);
  const remark = (text, title) => node("span", { class: "remark", text, title });

  /* Of a switching point that exposes sites in other states than the normal one only: in which, in a word or two. */
  function stateRemark(row) {
    const [state, closed, opened] = ["state", "tie_switch_id", "tie_open_id"].map((column) => data.text("switching_points", column, row));
    if (state === "open") return "normally open";
    if (closed) return opened ? "fed from the other end" : "dead stretch fed";
    return opened ? "ring open" : "";
  }

  function cellText(about_column, table, row) {
    if (about_column.kind === "text") return data.shown(table, about_column.column, row);
    const value = data.number(table, about_column.column, row);
    if (Number.isNaN(value)) return "–";
    if (about_column.unit === "m") return data.length(value, choice.state.units).replace(/ (m|ft)$/, "");
    return data.figure(value, about_column, choice.state.units, data.BRIEF);
  }

  function focusChosen() {
    const button = element.querySelector("tr.chosen button.id") || element.querySelector("tbody button.id");
    if (button) button.focus({ preventScroll: false });
  }

  /* Up and down arrows go from row to row. */
  element.addEventListener("keydown", (event) => {
    const by = { ArrowDown: "nextElementSibling", ArrowUp: "previousElementSibling" }[event.key];
    const row = event.target.closest("tbody tr");
    if (!by || !row) return;
    event.preventDefault();
    if (row[by]) row[by].querySelector("button.id").focus();
  });

  function turn(by) {
    page = Math.max(0, Math.min(Math.ceil(ordered.length / PAGE) - 1, page + by));
    fill();
  }

  /* A spreadsheet would run a cell that begins like a formula: an apostrophe in front keeps it a text. */
  function guarded(text) {
    const safe = /^'*[=+\-@\t\r\uFF1D\uFF0B\uFF0D\uFF20]/.test(text) ? `'${text}` : text;
    return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  }

  /* The listed rows, every column, in the survey's own units as in its tables. */
  function csv() {
    const { table } = list();
    const columns = data.columns[table];
    const lines = [columns.map((column) => guarded(column.column)).join(",")];
    for (const row of ordered) {
      lines.push(columns.map(({ column, kind }) => {
        const text = data.plain(table, column, row);
        return kind === "text" ? guarded(text) : text;
      }).join(","));
    }
    return `${lines.join("\r\n")}\r\n`;
  }

  return { show, turn, csv, node, stateRemark, focusChosen, count: () => ordered.length };
})();
