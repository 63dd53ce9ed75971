"use strict";
/* What the canvas layer is drawn with: lines, circles, switching points, texts that keep clear of each other. */
survey.draw = (() => {
  const { marks } = survey;
  const PAPER = "#fbf9f3";
  const GLOW = "#0b5c8c";

  function strokeLines(context, store, { view, lines, colour, width }) {
    const { x, y, firstPoint } = store;
    context.beginPath();
    for (const line of lines) {
      const last = firstPoint[line + 1] - 1;
      if (last < firstPoint[line]) continue;
      let px = view.left + x[firstPoint[line]] * view.scale;
      let py = view.top - y[firstPoint[line]] * view.scale;
      context.moveTo(px, py);
      for (let i = firstPoint[line] + 1; i <= last; i += 1) {
        const nx = view.left + x[i] * view.scale;
        const ny = view.top - y[i] * view.scale;
        if (i < last && Math.abs(nx - px) + Math.abs(ny - py) < 0.7) continue;
        if (missesView(view, px, py, nx, ny)) context.moveTo(nx, ny);
        else context.lineTo(nx, ny);
        px = nx;
        py = ny;
      }
    }
    context.strokeStyle = colour;
    context.lineWidth = width;
    context.stroke();
  }

  /* Both ends past the same edge: nothing of the segment can be seen, and its dashes need not be worked out. */
  function missesView(view, ax, ay, bx, by) {
    return (ax < -20 && bx < -20) || (ay < -20 && by < -20) || (ax > view.width + 20 && bx > view.width + 20)
      || (ay > view.height + 20 && by > view.height + 20);
  }

  function pointMark(context, { x, y, scale, radius, shape }) {
    const path = marks.path2d(shape, shape === "open" ? Math.max(4.5, 0.8 * radius) : radius);
    context.setTransform(scale, 0, 0, scale, x, y);
    context.strokeStyle = PAPER;
    context.lineWidth = 3.6;
    context.stroke(path);
    context.fillStyle = PAPER;
    context.fill(path);
    context.strokeStyle = marks.INK;
    context.lineWidth = 1.3;
    context.stroke(path);
  }

  function circle(context, { x, y, radius, width, fill = false }) {
    context.beginPath();
    context.arc(x, y, radius, 0, 2 * Math.PI);
    if (fill) context.fill();
    context.lineWidth = width;
    context.stroke();
  }

  function haloText(context, text, { x, y, colour }) {
    context.strokeStyle = "rgba(251,249,243,.92)";
    context.lineWidth = 3.5;
    context.strokeText(text, x, y);
    context.fillStyle = colour;
    context.fillText(text, x, y);
  }

  function free(boxes, box) {
    return boxes.every((other) => Math.abs(other.x - box.x) * 2 >= other.w + box.w || Math.abs(other.y - box.y) * 2 >= other.h + box.h);
  }

  /* Ids of one export often begin alike: what is too long is cut in its middle. */
  function clip(text, most = 22) {
    return text.length > most ? `${text.slice(0, Math.ceil(most / 2) - 1)}…${text.slice(-Math.floor(most / 2))}` : text;
  }

  /* The first of the spots that covers fewest sites. */
  function clearest(spots, near) {
    const covered = spots.map(([dx, dy]) => near.filter(([x, y]) => Math.hypot(x - dx, y - dy) < 19).length);
    return spots[covered.indexOf(Math.min(...covered))];
  }

  return { PAPER, GLOW, strokeLines, pointMark, circle, haloText, free, clip, clearest };
})();
