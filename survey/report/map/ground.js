"use strict";
/* The user's own layers, pale beneath the network: areas, lines, places, and their names where these keep clear of the rest. */
survey.ground = (() => {
  const { data, network, about } = survey;
  const { haloText, free } = survey.draw;
  const MOST_LINES = 5000;
  const MOST_NAMES = 60;
  const MOST_TRIED = 600;
  const HEIGHT = 12;
  let index = null;
  let ownerOf = new Int32Array(0);

  function ready() {
    const store = network.background;
    if (!store.lines) return;
    index = new survey.LineIndex(store);
    ownerOf = new Int32Array(store.lines);
    for (let owner = 0; owner < store.owners; owner += 1) ownerOf.fill(owner, store.firstLine[owner], store.firstLine[owner + 1]);
  }

  /* What of it is drawn, in words: looks of the page's own layers. */
  function legend() {
    const drawn = new Set(data.blocks["background.look"] || []);
    return about.grounds.filter((_, place) => drawn.has(place));
  }

  const lookOf = (line) => data.blocks["background.look"][ownerOf[line]];
  const pointsOf = ({ firstPoint }, line) => firstPoint[line + 1] - firstPoint[line];

  function nameOf(owner) {
    const codes = data.blocks["background.label"];
    return data.blocks["background.label.texts"][codes ? codes[owner] : owner];
  }

  /* Lines in view by look, bottom first. Of very many only the long ones; the rest lie on a picture. */
  function seen(view) {
    const groups = about.grounds.map(() => []);
    const put = (line) => groups[lookOf(line)].push(line);
    if (index.count(view) > MOST_LINES) index.long.forEach(put);
    else index.forEach(view, put);
    return groups;
  }

  function paint(context, view) {
    if (!index) return;
    if (index.count(view) > MOST_LINES) index.draw(context, view, [216, 208, 190, 150]);
    const near = Math.max(0, Math.min(1, (view.zoom - 13) / 4));
    seen(view).forEach((lines, place) => {
      const { line: colour, fill, width_px: width, dash } = about.grounds[place];
      if (fill) fillAreas(context, view, { owners: new Set(lines.map((line) => ownerOf[line])), fill });
      if (!colour) return;
      context.setLineDash(dash);
      survey.draw.strokeLines(context, network.background, { view, lines, colour, width: Math.max(0.7, width * (0.25 + 0.75 * near)) });
      context.setLineDash([]);
    });
  }

  function fillAreas(context, view, { owners, fill }) {
    const { x, y, firstPoint, firstLine } = network.background;
    context.fillStyle = fill;
    for (const owner of owners) {
      context.beginPath();
      for (let line = firstLine[owner]; line < firstLine[owner + 1]; line += 1) {
        for (let i = firstPoint[line]; i < firstPoint[line + 1]; i += 1) context.lineTo(view.left + x[i] * view.scale, view.top - y[i] * view.scale);
        context.closePath();
        if (line + 1 < firstLine[owner + 1]) context.moveTo(view.left + x[firstPoint[line + 1]] * view.scale, view.top - y[firstPoint[line + 1]] * view.scale);
      }
      context.fill("evenodd");
    }
  }

  /* Whether names are written in a view. */
  function names(view) {
    return Boolean(index) && view.zoom >= 12 && index.count(view) <= MOST_LINES;
  }

  /* Each name once, where it first finds room; taken: boxes of what is written already and of the marks. */
  function paintNames(context, view, taken) {
    context.font = "italic 11.5px Georgia, 'Times New Roman', serif";
    const written = new Set();
    const boxes = [...taken];
    for (const line of seen(view).reverse().flat().filter((one) => named(view, one)).slice(0, MOST_TRIED)) {
      const name = nameOf(ownerOf[line]);
      if (!name || written.has(name) || written.size >= MOST_NAMES) continue;
      const spot = spots(view, line, context.measureText(name).width + 6).find((one) => one.boxes.every((box) => free(boxes, box)));
      if (!spot) continue;
      written.add(name);
      boxes.push(...spot.boxes);
      write(context, name, spot);
    }
  }

  function write(context, name, { x, y, angle }) {
    context.save();
    context.translate(x, y);
    context.rotate(angle);
    context.textAlign = "center";
    haloText(context, name, { x: 0, y: 4, colour: about.name_colour });
    context.restore();
  }

  /* Streets have names from near only. */
  function near(view, look) {
    return view.zoom >= 14.5 || look === "border" || look === "water";
  }

  function named(view, line) {
    const { look, fill } = about.grounds[lookOf(line)];
    return fill || near(view, look) || pointsOf(network.background, line) === 1;
  }

  /* Where a name of some width could stand: at a place, in the middle of an area, along a straight enough part of a line. */
  function spots(view, line, width) {
    const { x, y, firstPoint } = network.background;
    const [first, count] = [firstPoint[line], pointsOf(network.background, line)];
    const xy = Array.from({ length: count }, (_, i) => [view.left + x[first + i] * view.scale, view.top - y[first + i] * view.scale]);
    const { look, fill } = about.grounds[lookOf(line)];
    if (count === 1) return [level(xy[0], width, 9)];
    return [...(fill ? inside(xy, width) : []), ...(near(view, look) ? along(view, xy, width) : [])];
  }

  function level([x, y], width, down = 0) {
    return { x, y: y + down, angle: 0, boxes: [{ x, y: y + down, w: width, h: HEIGHT }] };
  }

  function inside(xy, width) {
    const [xs, ys] = [xy.map(([x]) => x), xy.map(([, y]) => y)];
    const [west, east, north, south] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    const middle = [(west + east) / 2, (north + south) / 2];
    return east - west > width && south - north > 1.5 * HEIGHT && holds(xy, middle) ? [level(middle, width)] : [];
  }

  /* Whether a ring holds a place: it crosses the ring an odd number of times on its way out. */
  function holds(xy, [px, py]) {
    let within = false;
    xy.forEach(([bx, by], i) => {
      const [ax, ay] = xy.at(i - 1);
      if ((ay > py) !== (by > py) && px < ax + ((py - ay) / (by - ay)) * (bx - ax)) within = !within;
    });
    return within;
  }

  function along(view, xy, width) {
    const found = [];
    const sums = [0];
    for (let i = 1; i < xy.length; i += 1) sums.push(sums[i - 1] + Math.hypot(xy[i][0] - xy[i - 1][0], xy[i][1] - xy[i - 1][1]));
    const at = (walked) => {
      let i = 1;
      while (i < sums.length - 1 && sums[i] < walked) i += 1;
      const share = (walked - sums[i - 1]) / Math.max(sums[i] - sums[i - 1], 1e-9);
      return [0, 1].map((axis) => xy[i - 1][axis] + share * (xy[i][axis] - xy[i - 1][axis]));
    };
    const total = sums.at(-1);
    for (let middle = width / 2; middle + width / 2 <= total; middle += Math.max(width / 2, total / 40)) {
      const [a, b] = [at(middle - width / 2), at(middle + width / 2)];
      const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
      const [x, y] = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
      if (Math.hypot(dx, dy) < 0.97 * width || x < 0 || y < 0 || x > view.width || y > view.height) continue;
      found.push(tilted([x, y], width, dx < 0 ? Math.atan2(-dy, -dx) : Math.atan2(dy, dx)));
    }
    const out = ({ x, y }) => Math.hypot(x - view.width / 2, y - view.height / 2);
    return found.sort((a, b) => out(a) - out(b));
  }

  /* A name that leans: its room as a row of small squares. */
  function tilted([x, y], width, angle) {
    const steps = Math.max(2, Math.ceil(width / HEIGHT));
    const boxes = Array.from({ length: steps }, (_, i) => {
      const out = width * ((i + 0.5) / steps - 0.5);
      return { x: x + out * Math.cos(angle), y: y + out * Math.sin(angle), w: HEIGHT, h: HEIGHT };
    });
    return { x, y, angle, boxes };
  }

  return { ready, names, paint, paintNames, legend };
})();
