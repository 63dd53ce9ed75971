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
    triangle: (r) => `M0 ${-r}L${r * 0.95} ${r * 0.72}L${-r * 0.95} ${r * 0.72}Z`,
    diamond: (r) => `M0 ${-r}L${r} 0L0 ${r}L${-r} 0Z`,
    square: (r) => `M${-r} ${-r}H${r}V${r}H${-r}Z`,
    cross: (r) => `M${-r} ${-r}L${r} ${r}M${-r} ${r}L${r} ${-r}`,
    point: (r) => `M${-r} ${r * 0.45}A${r} ${r} 0 0 1 ${r} ${r * 0.45}ZM${-r * 0.6} ${r * 0.45}L${r * 0.75} ${-r * 0.95}`,
  };
  const HOLLOW = new Set(["ring", "square", "cross"]);
  const paths = new Map();

  function ring(r) {
    return `M${-r} 0A${r} ${r} 0 1 0 ${r} 0A${r} ${r} 0 1 0 ${-r} 0Z`;
  }

  function path2d(shape, radius) {
    const key = `${shape} ${radius}`;
    if (!paths.has(key)) paths.set(key, new Path2D(OUTLINES[shape](radius)));
    return paths.get(key);
  }

  function bandOf(row) {
    return data.text("sites", "band", row);
  }

  function markOf(row) {
    return byKey.get(bandOf(row)) || byKey.get(data.text("sites", "status", row)) || about.statuses.at(-1);
  }

  function colourOf(row) {
    const priority = data.number("sites", "priority", row);
    return Number.isNaN(priority) ? about.no_priority : about.ramp[Math.max(0, Math.min(100, Math.round(priority)))];
  }

  /* Middle colour of a band, for keys and lists: the mean priority of its sites decides. */
  function colourOfBand(key, fallback) {
    let sum = 0;
    let count = 0;
    for (let row = 0; row < data.rows("sites"); row += 1) {
      const priority = data.number("sites", "priority", row);
      if (bandOf(row) !== key || Number.isNaN(priority)) continue;
      sum += priority;
      count += 1;
    }
    return about.ramp[count ? Math.round(sum / count) : fallback];
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
    path.setAttribute("fill", HOLLOW.has(shape) ? "none" : colour);
    path.setAttribute("stroke", HOLLOW.has(shape) ? colour : INK);
    path.setAttribute("stroke-width", shape === "dot" ? 0.8 : 1.2);
    element.append(path);
    return element;
  }

  function svgOfSite(row, scale = 1) {
    const mark = markOf(row);
    return svg(mark.shape, { size: mark.size * scale, colour: colourOf(row), label: mark.label });
  }

  return {
    INK, byKey, bandOf, markOf, colourOf, colourOfBand, draw, path2d, svg, svgOfSite,
    bandLabel: (key) => (byKey.get(key) || { label: "–" }).label,
    bandPlace: (key) => (order.has(key) ? order.get(key) : -1),
  };
})();
