"use strict";
/* What a view is fitted to: what is chosen, or all that is shown. */
survey.extent = (() => {
  const { data, network, choice, layer, about } = survey;
  const MANY = 40;
  const FEW = 4;
  const FAR_OUT = 5;

  /* Places in grid steps, gathered one by one. */
  function gathered() {
    const [xs, ys] = [[], []];
    const put = (x, y) => {
      xs.push(x);
      ys.push(y);
    };
    const putRow = (table, row) => {
      if (row >= 0 && data.placed(table, row)) put(data.blocks[`${table}.x`][row], data.blocks[`${table}.y`][row]);
    };
    const putLine = ({ x, y, firstPoint }, line) => {
      for (let i = firstPoint[line]; i < firstPoint[line + 1]; i += 1) put(x[i], y[i]);
    };
    const putEnds = ({ x, y, firstPoint }, line) => {
      const [first, last] = [firstPoint[line], firstPoint[line + 1] - 1];
      if (last >= first) for (const i of [first, last]) put(x[i], y[i]);
    };
    return { xs, ys, putRow, putLine, putEnds };
  }

  function ofChosen(chosen) {
    const places = gathered();
    for (const [store, lines] of [[network.cables, [...chosen.cable, ...chosen.overhead]], ...chosen.ways]) for (const line of lines) places.putLine(store, line);
    for (const row of [...chosen.exposed, chosen.site]) places.putRow("sites", row);
    for (const point of [chosen.point, chosen.near, ...statePoints(chosen.site)]) places.putRow("switching_points", point);
    return places;
  }

  /* Devices that are closed or open in the state that exposes a site, as far as they are switching points. */
  function statePoints(site) {
    if (site < 0 || !choice.inState(site)) return [];
    return ["tie_switch_id", "tie_open_id"].map((column) => data.rowOf("switching_points", "switch_id", data.text("sites", column, site)));
  }

  function ofFinding(row) {
    const places = gathered();
    places.putRow("findings", row);
    return places;
  }

  /* The sites shown, their switching points and what these leave on the open pole; all cables while nothing is narrowed. */
  function ofShown() {
    const places = gathered();
    for (const row of choice.kept.sites) places.putRow("sites", row);
    for (const point of choice.kept.points) places.putRow("switching_points", point);
    const lines = choice.narrowed() ? network.linesOf(choice.kept.points) : Array.from({ length: network.cables.lines }, (_, line) => line);
    for (const line of lines) places.putEnds(network.cables, line);
    return places;
  }

  /* How many at either end may be left outside. */
  function fewOf(count) {
    return count < MANY ? 0 : Math.max(FEW, Math.ceil(count / 100));
  }

  /* Least and greatest of some values, without at most a few at either end that stand very far from all the rest. */
  function range(values, few) {
    const sorted = Float64Array.from(values).sort();
    let [low, high] = [0, sorted.length - 1];
    const far = FAR_OUT * (sorted[sorted.length - 1 - few] - sorted[few]);
    for (let i = 1; i <= few; i += 1) {
      if (sorted[i] - sorted[i - 1] > far) low = i;
      if (sorted[sorted.length - i] - sorted[sorted.length - i - 1] > far) high = sorted.length - i - 1;
    }
    return [sorted[low], sorted[high]];
  }

  function latLng(x, y) {
    return L.CRS.EPSG3857.unproject(L.point(about.origin[0] + x * about.step_m, about.origin[1] + y * about.step_m));
  }

  function bounds({ whole = false } = {}) {
    const { kind, row } = choice.state;
    const chosen = whole ? null : layer.chosenParts();
    const asked = chosen ? ofChosen(chosen) : kind === "finding" && !whole ? ofFinding(row) : null;
    const places = asked && asked.xs.length ? asked : ofShown();
    if (!places.xs.length) return null;
    const few = places === asked ? 0 : fewOf(places.xs.length);
    const [[west, east], [south, north]] = [range(places.xs, few), range(places.ys, few)];
    return L.latLngBounds(latLng(west, south), latLng(east, north));
  }

  return { bounds };
})();
