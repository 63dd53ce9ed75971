"use strict";
/* The survey's data: columns of numbers and texts, decoded from the page. */
const survey = { about: JSON.parse(document.getElementById("survey-about").textContent) };

survey.data = (() => {
  const about = survey.about;
  const ARRAYS = {
    u1: Uint8Array, i1: Int8Array, u2: Uint16Array, i2: Int16Array, i4: Int32Array, u4: Uint32Array, f8: Float64Array,
  };
  const NOWHERE = -2147483648;
  const FEET = 3.280839895013123;
  const BRIEF = 2;
  const CODES = new Set(["connection", "core", "rule"]);
  const blocks = {};
  const columns = { sites: [], switching_points: [], findings: [] };
  for (const column of about.columns) columns[column.table].push(column);
  const X_OF = Object.fromEntries(Object.keys(columns).map((table) => [table, `${table}.x`]));
  const described = new Map(about.columns.map((column) => [`${column.table}.${column.column}`, column]));

  function bytesOf(text) {
    if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
    const binary = atob(text);
    const bytes = new Uint8Array(binary.length);
    for (let i = 0; i < bytes.length; i += 1) bytes[i] = binary.charCodeAt(i);
    return bytes;
  }

  async function inflated(bytes) {
    if (typeof DecompressionStream === "undefined") {
      throw new Error("This browser is too old for a survey of this size. Use a newer one.");
    }
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  /* Arrays of one blob, by column name. */
  async function decoded(number) {
    const element = document.getElementsByClassName("survey-blob")[number];
    const { encoding, directory } = about.blobs[number];
    let bytes = bytesOf(element.textContent);
    element.textContent = "";
    if (encoding === "deflate") bytes = await inflated(bytes);
    const arrays = {};
    for (const [name, [kind, first, count]] of Object.entries(directory)) {
      if (kind === "json") arrays[name] = JSON.parse(new TextDecoder().decode(bytes.subarray(first, first + count)));
      else arrays[name] = new ARRAYS[kind](bytes.buffer, bytes.byteOffset + first, count);
    }
    return arrays;
  }

  /* A quick way to a column's texts. */
  function textReader(table, column) {
    const [texts, codes] = [blocks[`${table}.${column}.texts`], blocks[`${table}.${column}`]];
    return codes ? (row) => texts[codes[row]] : (row) => texts[row];
  }

  function rows(table) {
    const place = blocks[`${table}.x`];
    return place ? place.length : 0;
  }

  const LINKS = { "sites.switch_id": "sites.switch_row", "sites.worst_switch_id": "sites.worst_row" };

  function text(table, column, row) {
    const texts = blocks[`${table}.${column}.texts`];
    if (!texts) return linkedText(`${table}.${column}`, row);
    const codes = blocks[`${table}.${column}`];
    return codes ? texts[codes[row]] : texts[row];
  }

  /* The id of a switching point that only its row tells. */
  function linkedText(name, row) {
    const point = name in LINKS ? blocks[LINKS[name]][row] : -1;
    return point >= 0 ? text("switching_points", "switch_id", point) : "";
  }

  /* Grid steps from degrees, for the tables that come without. */
  function start() {
    for (const table of Object.keys(columns)) {
      if (blocks[`${table}.x`]) continue;
      const [lon, lat] = [reader(table, "lon"), reader(table, "lat")];
      const count = blocks[`${table}.lon`].length;
      const [x, y] = [new Int32Array(count).fill(NOWHERE), new Int32Array(count).fill(NOWHERE)];
      for (let row = 0; row < count; row += 1) {
        if (Number.isNaN(lon(row)) || Number.isNaN(lat(row))) continue;
        const at = L.Projection.SphericalMercator.project({ lng: lon(row), lat: lat(row) });
        x[row] = Math.round((at.x - about.origin[0]) / about.step_m);
        y[row] = Math.round((at.y - about.origin[1]) / about.step_m);
      }
      blocks[`${table}.x`] = x;
      blocks[`${table}.y`] = y;
    }
  }

  /* A quick way to a column's numbers: row to value in the column's unit, NaN when missing. */
  function reader(table, column) {
    const values = blocks[`${table}.${column}`];
    if (!values) return () => NaN;
    if (values instanceof Float64Array) return (row) => values[row];
    const missing = -(2 ** (values.BYTES_PER_ELEMENT * 8 - 1));
    const scale = 10 ** described.get(`${table}.${column}`).decimals;
    return (row) => (values[row] === missing ? NaN : values[row] / scale);
  }

  function number(table, column, row) {
    return reader(table, column)(row);
  }

  /* As in the CSV tables: fixed decimals, empty when missing. */
  function plain(table, column, row) {
    const about_column = described.get(`${table}.${column}`);
    if (about_column.kind === "text") return text(table, column, row);
    const value = number(table, column, row);
    return Number.isNaN(value) ? "" : value.toFixed(about_column.decimals);
  }

  /* A text as people read it: codes as words. */
  function words(table, column, row) {
    return CODES.has(column) ? text(table, column, row).replaceAll("_", " ") : text(table, column, row);
  }

  /* The state that a row's figures are of, where it is not the normal one: "T closed", "A open". */
  function stateParts(table, row) {
    return [["tie_switch_id", "closed"], ["tie_open_id", "open"]].map(([column, word]) => [text(table, column, row), word])
      .filter(([id]) => id).map((part) => part.join(" "));
  }

  const stateWords = (table, row) => stateParts(table, row).join(" and ");

  /* For people: thousands apart, unit behind, lengths in the units chosen. */
  function shown(table, column, row, units, most = Infinity) {
    const about_column = described.get(`${table}.${column}`);
    if (!about_column) return "–";
    if (about_column.kind === "text") return words(table, column, row) || "–";
    const value = number(table, column, row);
    return Number.isNaN(value) ? "–" : `${figure(value, about_column, units, most)}${unitText(about_column, units)}`;
  }

  /* The same at a glance: three figures, codes as words. */
  function brief(table, column, row, units) {
    const about_column = described.get(`${table}.${column}`);
    if (about_column.kind === "text") return words(table, column, row) || "–";
    const value = Math.abs(number(table, column, row));
    return shown(table, column, row, units, value ? Math.max(0, 2 - Math.floor(Math.log10(value))) : 0);
  }

  function figure(value, about_column, units, most = Infinity) {
    const feet = about_column.unit === "m" && units === "us";
    const decimals = feet ? 0 : Math.min(about_column.decimals, most);
    return (feet ? value * FEET : value).toLocaleString("en-US", {
      minimumFractionDigits: decimals, maximumFractionDigits: decimals,
    });
  }

  function unitText(about_column, units) {
    const { unit } = about_column;
    if (unit === "m") return units === "us" ? " ft" : " m";
    if (unit === "0-100") return " of 100";
    return unit === "" || /^0[-/]/.test(unit) ? "" : ` ${unit}`;
  }

  function length(metres, units) {
    return `${Math.round(units === "us" ? metres * FEET : metres).toLocaleString("en-US")}${units === "us" ? " ft" : " m"}`;
  }

  const rowMaps = new Map();

  /* Row of an id, -1 where the table has none. */
  function rowOf(table, column, id) {
    if (!rowMaps.has(table)) rowMaps.set(table, new Map(Array.from({ length: rows(table) }, (_, row) => [text(table, column, row), row])));
    return rowMaps.get(table).get(id) ?? -1;
  }

  function placed(table, row) {
    return blocks[X_OF[table]][row] !== NOWHERE;
  }

  function has(table, column) {
    const values = blocks[`${table}.${column}`];
    if (!values) return Boolean(blocks[`${table}.${column}.texts`]);
    const value = reader(table, column);
    for (let row = 0; row < values.length; row += 1) if (!Number.isNaN(value(row))) return true;
    return false;
  }

  return { blocks, columns, described, start, decoded, rows, text, textReader, number, reader, plain, stateParts, stateWords, shown, brief, figure, BRIEF, unitText, length, placed, rowOf, has };
})();
