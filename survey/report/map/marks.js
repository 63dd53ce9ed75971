"use strict";
/* Shapes of bands, statuses and switching points: one outline for the canvas and for the page. */
survey.marks = (() => {
  const { data, about } = survey;
  const INK = "#2b2a27";
  const byKey = new Map([...about.bands, ...about.statuses].map((mark) => [mark.key, mark]));
  const order = new Map(about.bands.map((mark, place) => [mark.key, place]));

  /* SVG path of a shape about 0, 0 with half width r. */
  const OUTLINES = {
    dot: (r) => ring(r),
    circle: (r) => ring(r),
    ring: (r) => ring(r),
    loop: (r) => `${ring(r)}M${-r * 0.45} 0A${r * 0.45} ${r * 0.45} 0 1 0 ${r * 0.45} 0A${r * 0.45} ${r * 0.45} 0 1 0 ${-r * 0.45} 0Z`,
    triangle: (r) => `M0 ${-r}L${r * 0.95} ${r * 0.72}L${-r * 0.95} ${r * 0.72}Z`,
    diamond: (r) => `M0 ${-r}L${r} 0L0 ${r}L${-r} 0Z`,
    square: (r) => box(r),
    open: (r) => `M${r * 0.5} ${-r * 0.87}A${r} ${r} 0 1 0 ${r * 0.5} ${r * 0.87}`,
    plus: (r) => `M${-r} 0H${r}M0 ${-r}V${r}`,
    cross: (r) => `M${-r} ${-r}L${r} ${r}M${-r} ${r}L${r} ${-r}`,
    point: (r) => box(0.78 * r) + `M${-0.78 * r} ${0.78 * r}L${0.78 * r} ${-0.78 * r}`,
    other: (r) => box(0.78 * r),
  };
  const HOLLOW = new Set(["ring", "loop", "plus", "cross", "open"]);
  const paths = new Map();

  function ring(r) {
    return `M${-r} 0A${r} ${r} 0 1 0 ${r} 0A${r} ${r} 0 1 0 ${-r} 0Z`;
  }

  function box(r) {
    return `M${-r} ${-r}H${r}V${r}H${-r}Z`;
  }

  function path2d(shape, radius) {
    const key = `${shape} ${radius}`;
    if (!paths.has(key)) paths.set(key, new Path2D(OUTLINES[shape](radius)));
    return paths.get(key);
  }

  const all = [...about.bands, ...about.statuses];
  let markPlace = new Uint8Array(0);
  let colourStep = new Uint8Array(0);
  const NO_STEP = 255;

  const bandKeys = about.bands.map((mark) => mark.key);
  let bandCode = new Int8Array(0);

  /* Mark (of the status, where a site is not assessed; else of the band), band and colour of every site, worked out once. */
  function start() {
    const count = data.rows("sites");
    const hazard = data.reader("sites", "hazard");
    [markPlace, colourStep, bandCode] = [new Uint8Array(count), new Uint8Array(count), new Int8Array(count)];
    const [bandAt, statusAt] = [data.textReader("sites", "band"), data.textReader("sites", "status")];
    const places = new Map(all.map((mark, place) => [mark.key, place]));
    for (let row = 0; row < count; row += 1) {
      const [band, status] = [bandAt(row), statusAt(row)];
      /* a ring that was opened in the survey gives a band; nothing else that is not assessed is drawn as one */
      const key = [status === "looped" && band ? "" : status, band].find((text) => places.has(text));
      markPlace[row] = key === undefined ? all.length - 1 : places.get(key);
      bandCode[row] = bandKeys.indexOf(band);
      const value = hazard(row);
      colourStep[row] = Number.isNaN(value) || markPlace[row] >= bandKeys.length ? NO_STEP : Math.max(0, Math.min(100, Math.round(value)));
    }
  }

  /* The band's key, empty for a site without a band. */
  function bandOf(row) {
    return bandCode[row] >= 0 ? bandKeys[bandCode[row]] : "";
  }

  function markOf(row) {
    return all[markPlace[row]];
  }

  /* Rows are in order of rank: the first ten are drawn largest, the first hundred larger than the rest. */
  function sizeOf(row) {
    return markOf(row).size * (markPlace[row] < bandKeys.length ? about.rank_sizes[rankStep(row)].factor : 1);
  }

  function rankStep(row) {
    return about.rank_sizes.findIndex(({ to }) => to === null || row < to);
  }

  /* One number for shape, size and colour, in steps of 256. */
  function lookOf(row) {
    return ((markPlace[row] * 4 + rankStep(row)) * 256 + colourStep[row]) * 256;
  }

  /* The colour as the pixels of a picture hold it. */
  const pixelColours = [...about.ramp, about.no_hazard].map((hex) => {
    const [red, green, blue] = [1, 3, 5].map((place) => parseInt(hex.slice(place, place + 2), 16));
    return ((255 << 24) | (blue << 16) | (green << 8) | red) >>> 0;
  });

  function pixelOf(row) {
    return pixelColours[Math.min(colourStep[row], pixelColours.length - 1)];
  }

  function colourOf(row) {
    return colourStep[row] === NO_STEP ? about.no_hazard : about.ramp[colourStep[row]];
  }

  function draw(context, mark, { x, y, colour, scale = 1 }) {
    context.setTransform(scale, 0, 0, scale, x, y);
    const path = path2d(mark.shape, mark.size / 2);
    context.lineJoin = "round";
    if (HOLLOW.has(mark.shape)) {
      context.lineWidth = 1.4;
      context.strokeStyle = colour;
      context.stroke(path);
      return;
    }
    context.fillStyle = colour;
    context.fill(path);
    context.lineWidth = mark.shape === "dot" ? 0.7 : 1.1;
    context.strokeStyle = mark.shape === "dot" ? "rgba(43,42,39,.55)" : INK;
    context.stroke(path);
  }

  function svg(shape, { size, colour, label = "" }) {
    const name = "http://www.w3.org/2000/svg";
    const box = Math.max(size + 4, 12);
    const element = document.createElementNS(name, "svg");
    element.setAttribute("viewBox", `${-box / 2} ${-box / 2} ${box} ${box}`);
    element.setAttribute("width", box);
    element.setAttribute("height", box);
    element.setAttribute("class", "mark");
    if (label) element.setAttribute("role", "img");
    element.setAttribute(label ? "aria-label" : "aria-hidden", label || "true");
    const path = document.createElementNS(name, "path");
    path.setAttribute("d", OUTLINES[shape](size / 2));
    path.setAttribute("fill", HOLLOW.has(shape) || !colour ? "none" : colour);
    path.setAttribute("stroke", HOLLOW.has(shape) && colour ? colour : INK);
    path.setAttribute("stroke-width", shape === "dot" ? 0.8 : 1.2);
    element.append(path);
    return element;
  }

  function svgOfSite(row, scale = 1) {
    const mark = markOf(row);
    return svg(mark.shape, { size: sizeOf(row) * scale, colour: colourOf(row), label: mark.label });
  }

  /* Shape of a switching point: open in the normal state, one that exposes sites in other states only, or any other. */
  function pointShape(row) {
    if (data.text("switching_points", "state", row) === "open") return "open";
    return data.stateWords("switching_points", row) ? "other" : "point";
  }

  function svgOfPoint(row, size) {
    const shape = pointShape(row);
    return svg(shape, { size: shape === "open" ? 0.8 * size : size, colour: shape === "open" ? "" : about.paper });
  }

  return {
    INK, start, byKey, bandOf, markOf, colourOf, sizeOf, pixelOf, lookOf, draw, path2d, svg, svgOfSite, svgOfPoint, pointShape,
    bandLabel: (key) => (byKey.get(key) || { label: "–" }).label,
    bandPlace: (key) => (order.has(key) ? order.get(key) : -1),
  };
})();
