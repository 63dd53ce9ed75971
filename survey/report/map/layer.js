"use strict";
/* One canvas for the whole survey. Nothing on it is an element of the page. */
survey.layer = (() => {
  const { data, network, choice, marks, fan, ground, about } = survey;
  const { PAPER, GLOW, strokeLines, pointMark, circle, haloText, free, clip, clearest } = survey.draw;
  const EARTH = 2 * Math.PI * 6378137;
  const MOST_LINES = 30000;
  const MOST_MARKS = 1500;
  const DOT_SIZES = [2, 2, 2, 3, 4];
  const MOST_POINTS = 350;
  const CABLE = "#7a7468";
  const OVERHEAD = "#a9a294";
  const urgent = new Set(about.first_bands);
  const sprites = new Map();
  let index = null;
  let drawGroups = [];
  let flags = [];

  const Canvas = L.Renderer.extend({
    options: { padding: 0.25 },

    getEvents() {
      const events = L.Renderer.prototype.getEvents.call(this);
      events.move = this._keepCovered;
      return events;
    },

    _initContainer() {
      this._container = document.createElement("canvas");
      this._context = this._container.getContext("2d");
    },

    _destroyContainer() {
      this._container.remove();
    },

    /* A long drag can leave the drawn part: draw again under way, once a frame. */
    _keepCovered() {
      if (this._waiting || this._covers()) return;
      this._waiting = requestAnimationFrame(() => {
        this._waiting = 0;
        if (this._map && !this._covers()) this._update();
      });
    },

    _covers() {
      if (!this._bounds || this._map._animatingZoom) return true;
      const low = this._map.containerPointToLayerPoint([0, 0]);
      return this._bounds.contains(L.bounds(low, low.add(this._map.getSize())));
    },

    _update() {
      if (this._map._animatingZoom && this._bounds) return;
      L.Renderer.prototype._update.call(this);
      const size = this._bounds.getSize();
      const ratio = survey.paper.active() ? 3 : Math.min(window.devicePixelRatio || 1, 2);
      L.DomUtil.setPosition(this._container, this._bounds.min);
      this._container.width = Math.round(size.x * ratio);
      this._container.height = Math.round(size.y * ratio);
      this._container.style.width = `${size.x}px`;
      this._container.style.height = `${size.y}px`;
      paint(this._context, viewOf(this._map, this._bounds), ratio);
    },

    redraw() {
      if (this._map && this._bounds) this._update();
    },
  });

  /* Grid steps to canvas pixels: x = left + steps * scale, y = top - steps * scale. */
  function viewOf(map, bounds) {
    const zoom = map.getZoom();
    const world = 256 * 2 ** zoom;
    const scale = (world / EARTH) * about.step_m;
    const corner = bounds.min.add(map.getPixelOrigin());
    const left = world / 2 + (about.origin[0] * world) / EARTH - corner.x;
    const top = world / 2 - (about.origin[1] * world) / EARTH - corner.y;
    const size = bounds.getSize();
    return {
      scale, left, top, zoom, width: size.x, height: size.y,
      west: -left / scale, east: (size.x - left) / scale, north: top / scale, south: (top - size.y) / scale,
    };
  }

  function inView(view, x, y, margin = 12) {
    return x > -margin && y > -margin && x < view.width + margin && y < view.height + margin;
  }

  /* Where something is drawn: its place, or beside it where several stand in one. */
  function at(view, table, row) {
    const [dx, dy] = fan.shift(view, table, row);
    return [view.left + data.blocks[`${table}.x`][row] * view.scale + dx, view.top - data.blocks[`${table}.y`][row] * view.scale + dy];
  }

  function paint(context, view, ratio) {
    const base = () => context.setTransform(ratio, 0, 0, ratio, 0, 0);
    base();
    context.clearRect(0, 0, view.width, view.height);
    context.lineJoin = "round";
    context.lineCap = "round";
    const chosen = chosenParts();
    ground.paint(context, view);
    const names = paintOutlines(context, view);
    context.globalAlpha = chosen ? 0.55 : 1;
    paintCables(context, view);
    context.globalAlpha = 1;
    if (chosen) paintSection(context, view, chosen);
    if (document.body.classList.contains("what-if")) paintWhatIf(context, view);
    paintOpenPoints(context, view, ratio);
    fan.paintStalks(context, view);
    paintPoints(context, view, { ratio, chosen });
    paintSites(context, view, { ratio, chosen });
    base();
    if (choice.state.findings) paintFindings(context, view);
    if (chosen) paintChosen(context, view, chosen);
    const taken = chosen ? [] : paintFlags(context, view, names);
    const written = paintLabels(context, view, { chosen, taken: [...names, ...taken] });
    if (ground.names(view)) ground.paintNames(context, view, [...written, ...marksIn(view)]);
  }

  /* Boxes of the marks in view, which names of the background keep clear of. */
  function marksIn(view) {
    const points = shownPoints(view).map(({ x, y }) => ({ x, y, w: 12, h: 12 }));
    return [...points, ...drawGroups.flatMap((_, group) => {
      const { rows, xs, ys } = seenOf(view, group);
      return rows.length > MOST_MARKS ? [] : rows.map((row, i) => ({ x: xs[i], y: ys[i], w: marks.sizeOf(row), h: marks.sizeOf(row) }));
    })];
  }

  function paintOutlines(context, view) {
    context.setLineDash([7, 4, 1.5, 4]);
    strokeLines(context, network.outlines, { view, lines: count(network.outlines.lines), colour: "#8f7f62", width: 1.1 });
    context.setLineDash([]);
    context.font = "italic 13px Georgia, 'Times New Roman', serif";
    context.textAlign = "center";
    const names = [];
    for (let owner = 0; owner < network.outlines.owners; owner += 1) {
      const [x, y] = topOf(view, owner);
      if (!inView(view, x, y)) continue;
      const text = clip(about.districts[owner], 34);
      const box = { x, y: y - 11, w: context.measureText(text).width, h: 16 };
      if (!free(names, box)) continue;
      haloText(context, text, { x, y: y - 7, colour: "#5e5138" });
      names.push(box);
    }
    return names;
  }

  function topOf(view, owner) {
    const { x, y, firstPoint, firstLine } = network.outlines;
    let best = firstPoint[firstLine[owner]];
    for (let i = best; i < firstPoint[firstLine[owner + 1]]; i += 1) if (y[i] > y[best]) best = i;
    return [view.left + x[best] * view.scale, view.top - y[best] * view.scale];
  }

  function* count(size) {
    for (let i = 0; i < size; i += 1) yield i;
  }

  function paintCables(context, view) {
    if (!index) return;
    if (index.count(view) > MOST_LINES) {
      index.draw(context, view, [122, 116, 104, 120]);
      strokeLines(context, network.cables, { view, lines: index.long, colour: CABLE, width: 0.8 });
      return;
    }
    const [shielded, overhead] = [[], []];
    index.forEach(view, (line) => (network.isShielded(line) ? shielded : overhead).push(line));
    const near = Math.max(0, Math.min(1, (view.zoom - 13) / 5));
    context.setLineDash(view.zoom > 13 ? [6, 3] : []);
    strokeLines(context, network.cables, { view, lines: overhead, colour: OVERHEAD, width: 0.8 + 0.5 * near });
    context.setLineDash([]);
    strokeLines(context, network.cables, { view, lines: shielded, colour: CABLE, width: 0.9 + 0.9 * near });
  }

  /* The site or point that is chosen; of a site the point that sets its score, the way there, the section behind it. The
     way walked in the normal state does not lead to the point of another one. */
  function chosenParts() {
    const { kind, row } = choice.state;
    if (kind === "site") {
      const near = data.blocks["sites.switch_row"][row];
      const point = choice.worstPoint(row);
      const ways = choice.inState(row) ? [] : [[network.paths, network.pathLines(row).lines], [network.ways, point >= 0 ? network.wayLines(near, point) : []]];
      return { site: row, point, near: near === point ? -1 : near, ways, ...sectionOf(choice.sectionPoint(row)) };
    }
    if (kind === "point") return { site: -1, point: row, near: -1, ways: [], ...sectionOf(row) };
    return null;
  }

  function sectionOf(point) {
    if (point < 0) return { cable: [], overhead: [], exposed: new Set() };
    const { lines } = network.sectionLines(point);
    return {
      cable: lines.filter((line) => network.isShielded(line)), overhead: lines.filter((line) => !network.isShielded(line)),
      exposed: new Set(network.exposedSites(point)),
    };
  }

  /* Cable as a whole band, overhead line as a broken one: only cable counts as length on the open pole. */
  function paintSection(context, view, { cable, overhead, ways }) {
    const draw = (store, lines, colour, width) => strokeLines(context, store, { view, lines, colour, width });
    draw(network.cables, cable, "#a9cbe1", 11);
    context.lineCap = "butt";
    context.setLineDash([5, 7]);
    draw(network.cables, overhead, "#a9cbe1", 11);
    context.setLineDash([]);
    context.lineCap = "round";
    draw(network.cables, cable, "#5b7488", 1.8);
    for (const [store, lines] of ways) draw(store, lines, PAPER, 6.5);
    for (const [store, lines] of ways) draw(store, lines, GLOW, 3.6);
    context.setLineDash([4, 6]);
    draw(network.cables, overhead, ways.length ? PAPER : "#5b7488", 1.6);
    context.setLineDash([]);
  }

  /* Sites that are not ranked first, severe ones last, each band from its last rank to its first: what matters lies on top. */
  function orderSites() {
    const groups = [[], ...about.bands.map(() => [])];
    for (let i = choice.kept.sites.length - 1; i >= 0; i -= 1) {
      const row = choice.kept.sites[i];
      if (data.placed("sites", row)) groups[marks.bandPlace(marks.markOf(row).key) + 1].push(row);
    }
    drawGroups = groups.map((rows) => Int32Array.from(rows));
    looked.key = "";
    flags = choice.firstPoints(3).map((entry) => entry.point).filter((point) => data.placed("switching_points", point));
  }

  let looked = { key: "", groups: [] };

  /* Rows of one group that are in view, and where; kept while the view stays. */
  function seenOf(view, group) {
    const key = [view.left, view.top, view.scale, view.width, view.height].join();
    if (looked.key !== key) looked = { key, groups: [] };
    looked.groups[group] ??= lookFor(view, group);
    return looked.groups[group];
  }

  function lookFor(view, group) {
    const [x, y] = [data.blocks["sites.x"], data.blocks["sites.y"]];
    const seen = { rows: [], xs: [], ys: [] };
    const fanned = fan.opens(view);
    for (const row of drawGroups[group]) {
      let px = view.left + x[row] * view.scale;
      let py = view.top - y[row] * view.scale;
      if (!inView(view, px, py)) continue;
      if (fanned) [px, py] = at(view, "sites", row);
      seen.rows.push(row);
      seen.xs.push(px);
      seen.ys.push(py);
    }
    return seen;
  }

  /* A band with few sites in view is drawn with its marks, smaller when there are more; one with very many as dots. */
  function paintSites(context, view, { ratio, chosen }) {
    const groups = drawGroups.map((_, group) => seenOf(view, group));
    const loud = groups.at(-1).rows.length + groups.at(-2).rows.length;
    const scale = loud > 1200 ? 0.6 : view.zoom < 12.5 || loud > 400 ? 0.8 : 1;
    const dotted = groups.map((seen, group) => ({ ...seen, size: DOT_SIZES[group] })).filter(({ rows }) => rows.length > MOST_MARKS);
    if (dotted.length) paintDots(context, view, { dotted, ratio, chosen });
    for (const seen of groups) if (seen.rows.length <= MOST_MARKS) paintMarks(context, seen, { ratio, scale, chosen });
    context.globalAlpha = 1;
  }

  function paintMarks(context, { rows, xs, ys }, { ratio, scale, chosen }) {
    context.setTransform(1, 0, 0, 1, 0, 0);
    for (let i = 0; i < rows.length; i += 1) {
      context.globalAlpha = chosen && !chosen.exposed.has(rows[i]) && rows[i] !== chosen.site ? 0.3 : 1;
      const { canvas, half } = sprite(rows[i], scale * ratio);
      context.drawImage(canvas, Math.round(xs[i] * ratio) - half, Math.round(ys[i] * ratio) - half);
    }
  }

  function placeOf(view, row) {
    const [x, y] = at(view, "sites", row);
    return data.placed("sites", row) ? { rows: [row], xs: [x], ys: [y] } : { rows: [], xs: [], ys: [] };
  }

  /* Tens of thousands of dots: written straight into the pixels of one picture of the view. */
  function paintDots(context, view, { dotted, ratio, chosen }) {
    const width = Math.round(view.width * ratio);
    const height = Math.round(view.height * ratio);
    const picture = document.createElement("canvas");
    picture.width = width;
    picture.height = height;
    const image = new ImageData(width, height);
    const pixels = new Uint32Array(image.data.buffer);
    for (const { rows, xs, ys, size } of dotted) {
      const side = Math.max(2, Math.round(size * ratio));
      for (let i = 0; i < rows.length; i += 1) {
        const colour = marks.pixelOf(rows[i]);
        const left = Math.round(xs[i] * ratio - side / 2);
        const top = Math.round(ys[i] * ratio - side / 2);
        for (let y = Math.max(0, top); y < Math.min(height, top + side); y += 1) {
          for (let x = Math.max(0, left); x < Math.min(width, left + side); x += 1) pixels[y * width + x] = colour;
        }
      }
    }
    picture.getContext("2d").putImageData(image, 0, 0);
    context.globalAlpha = chosen ? 0.3 : 1;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.drawImage(picture, 0, 0);
  }

  /* Marks are drawn once for each shape, colour and size, then copied. */
  function sprite(row, scale) {
    const key = marks.lookOf(row) + scale;
    let made = sprites.get(key);
    if (!made) {
      const mark = marks.markOf(row);
      const half = Math.ceil((marks.sizeOf(row) / 2) * scale) + 3;
      made = { half, canvas: document.createElement("canvas") };
      made.canvas.width = 2 * half;
      made.canvas.height = 2 * half;
      const whole = (marks.sizeOf(row) / mark.size) * scale;
      marks.draw(made.canvas.getContext("2d"), mark, { x: half, y: half, colour: marks.colourOf(row), scale: whole });
      sprites.set(key, made);
    }
    return made;
  }

  /* Switching points: all of them in a near view, those of high and severe sites further out, none from afar. */
  function shownPoints(view) {
    const near = [];
    const loud = [];
    for (const row of choice.kept.points) {
      if (!data.placed("switching_points", row)) continue;
      const [x, y] = at(view, "switching_points", row);
      if (!inView(view, x, y)) continue;
      near.push({ row, x, y });
      if (urgent.has(data.text("switching_points", "band", row))) loud.push(near.at(-1));
      if (loud.length > MOST_POINTS) return [];
    }
    if (view.zoom < 13) return [];
    return near.length <= MOST_POINTS ? near : loud;
  }

  const pointRadius = (view) => (view.zoom < 15 ? 4 : view.zoom < 16.5 ? 5 : 6.5);

  /* What is open stays plain beside something chosen too: there the network ends. */
  function paintPoints(context, view, { ratio, chosen }) {
    for (const { row, x, y } of shownPoints(view)) {
      const shape = marks.pointShape(row);
      context.globalAlpha = chosen && shape !== "open" && row !== chosen.point && row !== chosen.near ? 0.35 : 1;
      pointMark(context, { x: x * ratio, y: y * ratio, scale: ratio, radius: pointRadius(view), shape });
    }
    context.globalAlpha = 1;
  }

  /* What a what-if changed, and the word across the map. */
  function paintWhatIf(context, view) {
    context.font = "700 26px system-ui, sans-serif";
    context.textAlign = "center";
    context.fillStyle = "rgba(120, 90, 0, .16)";
    for (let y = 90; y < view.height; y += 230) for (let x = 160 + ((y - 90) % 460) / 2; x < view.width; x += 420) context.fillText("WHAT-IF", x, y);
    context.setLineDash([4, 3]);
    context.strokeStyle = marks.INK;
    for (const [x, y] of about.changes) {
      const [px, py] = [view.left + x * view.scale, view.top - y * view.scale];
      if (!inView(view, px, py)) continue;
      context.fillStyle = "rgba(243, 211, 74, .55)";
      context.fillRect(px - 11, py - 11, 22, 22);
      context.lineWidth = 1.6;
      context.strokeRect(px - 11, py - 11, 22, 22);
    }
    context.setLineDash([]);
  }

  /* Where the network is open in its normal state: an open ring, so that the line seems to end there. */
  function paintOpenPoints(context, view, ratio) {
    if (view.zoom < 13) return;
    const [xs, ys] = [data.blocks["open.x"], data.blocks["open.y"]];
    for (let i = 0; i < xs.length; i += 1) {
      const [x, y] = [view.left + xs[i] * view.scale, view.top - ys[i] * view.scale];
      if (inView(view, x, y)) pointMark(context, { x: x * ratio, y: y * ratio, scale: ratio, radius: pointRadius(view), shape: "open" });
    }
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
  }

  function paintFindings(context, view) {
    context.font = "bold 11px system-ui, sans-serif";
    context.textAlign = "center";
    for (const row of choice.kept.findings) {
      if (!data.placed("findings", row)) continue;
      const [x, y] = at(view, "findings", row);
      if (!inView(view, x, y)) continue;
      const chosen = choice.state.kind === "finding" && choice.state.row === row;
      context.fillStyle = chosen ? GLOW : PAPER;
      context.strokeStyle = GLOW;
      context.lineWidth = 1.5;
      context.beginPath();
      context.rect(x - 7, y - 7, 14, 14);
      context.fill();
      context.stroke();
      context.fillStyle = chosen ? PAPER : GLOW;
      context.fillText("!", x, y + 4);
    }
  }

  /* The points below the sites that stand by them. */
  function paintChosen(context, view, chosen) {
    for (const point of [chosen.near, chosen.point]) paintChosenPoint(context, view, point, point === chosen.point);
    if (chosen.site >= 0) paintMarks(context, placeOf(view, chosen.site), { ratio: context.getTransform().a, scale: 1, chosen });
    context.strokeStyle = GLOW;
    for (const row of chosen.exposed) {
      if (!data.placed("sites", row)) continue;
      const [x, y] = at(view, "sites", row);
      circle(context, { x, y, radius: marks.sizeOf(row) / 2 + 4, width: row === chosen.site ? 3.5 : 1.4 });
    }
    if (chosen.site >= 0 && !chosen.exposed.has(chosen.site) && data.placed("sites", chosen.site)) {
      const [x, y] = at(view, "sites", chosen.site);
      circle(context, { x, y, radius: marks.sizeOf(chosen.site) / 2 + 4, width: 3.5 });
    }
  }

  function paintChosenPoint(context, view, point, main) {
    if (point < 0 || !data.placed("switching_points", point)) return;
    const [x, y] = at(view, "switching_points", point);
    context.fillStyle = PAPER;
    context.strokeStyle = GLOW;
    circle(context, { x, y, radius: main ? 13 : 10, width: main ? 3 : 1.4, fill: main });
    const { a: ratio } = context.getTransform();
    pointMark(context, { x: x * ratio, y: y * ratio, scale: ratio, radius: 7, shape: marks.pointShape(point) });
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
  }

  /* Numbers of the points to look at first, as in the list; each keeps clear of the ones before. */
  function paintFlags(context, view, names) {
    const taken = [];
    flags.forEach((point, place) => {
      const [x, y] = at(view, "switching_points", point);
      if (!inView(view, x, y, 30)) return;
      const spots = [[0, -30], [26, -20], [-26, -20], [30, 8], [-30, 8], [0, 32], [46, -40], [-46, -40]];
      const clear = spots.filter(([a, b]) => taken.every((box) => Math.hypot(box.x - x - a, box.y - y - b) > 27)
        && free(names, { x: x + a, y: y + b, w: 26, h: 26 }));
      const [dx, dy] = clearest(clear.length ? clear : spots, nearSites(view, x, y));
      taken.push({ x: x + dx, y: y + dy, w: 26, h: 26 });
      context.strokeStyle = marks.INK;
      context.lineWidth = 1.6;
      context.beginPath();
      context.moveTo(x, y);
      context.lineTo(x + dx, y + dy);
      context.stroke();
      context.fillStyle = marks.INK;
      circle(context, { x, y, radius: 2.5, width: 1, fill: true });
      context.strokeStyle = PAPER;
      circle(context, { x: x + dx, y: y + dy, radius: 11.5, width: 2, fill: true });
      context.fillStyle = PAPER;
      context.font = "bold 14px Georgia, 'Times New Roman', serif";
      context.textAlign = "center";
      context.fillText(String(place + 1), x + dx, y + dy + 5);
    });
    return taken;
  }

  /* Where sites are drawn about a place, from the place. */
  function nearSites(view, x, y) {
    const near = [];
    drawGroups.forEach((_, group) => {
      const { xs, ys } = seenOf(view, group);
      for (let i = 0; i < xs.length && near.length < 500; i += 1) {
        if (Math.abs(xs[i] - x) < 70 && Math.abs(ys[i] - y) < 70) near.push([xs[i] - x, ys[i] - y]);
      }
    });
    return near;
  }

  /* The canvas is half as large again as the map: what stands in the sixths along its edges is out of sight.
     Ids beside high and severe sites when few are in view, and beside what is chosen; labels never lie on each other. */
  function paintLabels(context, view, { chosen, taken }) {
    context.font = "11.5px system-ui, sans-serif";
    context.textAlign = "left";
    const labels = chosen ? chosenLabels(view, chosen) : nearLabels(view);
    const boxes = [...taken, ...labels.map(({ x, y, gap }) => ({ x, y, w: 2 * gap - 6, h: 2 * gap - 6 }))];
    for (const { text, x, y, gap, strong } of labels) {
      const width = context.measureText(text).width;
      const spots = [[gap, 4], [-gap - width, 4], [-width / 2, -gap - 2], [-width / 2, gap + 11]];
      const [west, east] = [view.width / 6, (view.width * 5) / 6];
      const seen = x >= west && x <= east;
      const spot = spots.filter(([dx]) => !seen || (x + dx >= west && x + dx + width <= east)).find(([dx, dy]) => free(boxes, { x: x + dx + width / 2, y: y + dy - 4, w: width + 4, h: 14 }));
      if (!spot) continue;
      boxes.push({ x: x + spot[0] + width / 2, y: y + spot[1] - 4, w: width + 4, h: 14 });
      haloText(context, text, { x: x + spot[0], y: y + spot[1], colour: strong ? GLOW : marks.INK });
    }
    return boxes;
  }

  function nearLabels(view) {
    if (view.zoom < 13) return [];
    const groups = [seenOf(view, drawGroups.length - 1), seenOf(view, drawGroups.length - 2)];
    if (groups[0].rows.length + groups[1].rows.length > 45) return [];
    return groups.flatMap(({ rows, xs, ys }) => rows.map((row, i) => ({
      text: clip(data.text("sites", "site_id", row)), x: xs[i], y: ys[i], gap: marks.sizeOf(row) / 2 + 4,
    })).reverse());
  }

  function chosenLabels(view, chosen) {
    const labels = [];
    for (const point of [chosen.point, chosen.near]) {
      if (point < 0 || !data.placed("switching_points", point)) continue;
      const [x, y] = at(view, "switching_points", point);
      labels.push({ text: clip(data.text("switching_points", "switch_id", point)), x, y, gap: 17, strong: true });
    }
    const rows = chosen.site >= 0 ? [chosen.site, ...chosen.exposed] : [...chosen.exposed];
    for (const row of new Set(rows.slice(0, 60))) {
      if (!data.placed("sites", row)) continue;
      const [x, y] = at(view, "sites", row);
      if (inView(view, x, y)) labels.push({ text: clip(data.text("sites", "site_id", row)), x, y, gap: marks.sizeOf(row) / 2 + 8, strong: row === chosen.site });
    }
    return labels;
  }

  const ONE_PLACE = 5;

  /* What is drawn within reach of a place on the map: the nearest, and what cannot be told from it by pointing. */
  function hit(map, containerPoint, reach) {
    const low = map.containerPointToLayerPoint([0, 0]);
    const view = viewOf(map, L.bounds(low, low.add(map.getSize())));
    const found = [];
    const test = (kind, row, x, y, handicap) => {
      const distance = Math.hypot(x - containerPoint.x, y - containerPoint.y);
      if (distance <= reach) found.push({ kind, row, x, y, distance: distance + handicap });
    };
    drawGroups.forEach((_, group) => {
      const { rows, xs, ys } = seenOf(view, group);
      for (let i = 0; i < rows.length; i += 1) test("site", rows[i], xs[i], ys[i], 0);
    });
    for (const { row, x, y } of shownPoints(view)) test("point", row, x, y, 1);
    flags.forEach((row) => test("point", row, ...at(view, "switching_points", row), 2));
    if (choice.state.findings) {
      for (const row of choice.kept.findings) test("finding", row, ...at(view, "findings", row), 1);
    }
    found.sort((a, b) => a.distance - b.distance);
    if (!found.length) return null;
    const same = ({ x, y }) => Math.hypot(x - found[0].x, y - found[0].y) < ONE_PLACE;
    const seen = new Set();
    const here = found.filter((thing) => same(thing) && !seen.has(`${thing.kind} ${thing.row}`) && seen.add(`${thing.kind} ${thing.row}`));
    return { ...found[0], here };
  }

  function cablesReady() {
    index = network.cables.lines ? new survey.LineIndex(network.cables) : null;
    ground.ready();
  }

  function hasLines(shielded) {
    for (let line = 0; line < network.cables.lines; line += 1) if (network.isShielded(line) === shielded) return true;
    return false;
  }

  return { Canvas, hit, chosenParts, cablesReady, orderSites, hasLines };
})();
