"use strict";
/* Cables and walked paths, unpacked into plain arrays of grid steps; sections as runs of cables. */
survey.network = (() => {
  const { data, about } = survey;

  /* Lines of all blobs of one name: owner -> lines -> points. A line without points only carries a jump further. */
  class LineStore {
    constructor(name) {
      this.name = name;
      const sizes = about.blobs.map((blob) => blob.directory).filter((directory) => `${name}.parts` in directory);
      const count = (column) => sizes.reduce((sum, directory) => sum + directory[`${name}.${column}`][2], 0);
      this.owners = 0;
      this.lines = 0;
      this.used = 0;
      this.firstLine = new Int32Array(count("parts") + 1);
      this.firstPoint = new Int32Array(count("points") + 1);
      this.x = new Int32Array(count("step_x") + count("points"));
      this.y = new Int32Array(this.x.length);
    }

    add(arrays) {
      const column = (name) => arrays[`${this.name}.${name}`];
      const parts = column("parts");
      for (let i = 0; i < parts.length; i += 1) {
        this.owners += 1;
        this.firstLine[this.owners] = this.firstLine[this.owners - 1] + parts[i];
      }
      this.addPoints(column("points"), column("jump_x"), column("jump_y"), column("step_x"), column("step_y"));
    }

    addPoints(points, jumpX, jumpY, stepX, stepY) {
      let x = 0;
      let y = 0;
      let step = 0;
      let at = this.used;
      for (let line = 0; line < points.length; line += 1) {
        x += jumpX[line];
        y += jumpY[line];
        for (let point = 0; point < points[line]; point += 1, at += 1) {
          if (point > 0) {
            x += stepX[step];
            y += stepY[step];
            step += 1;
          }
          this.x[at] = x;
          this.y[at] = y;
        }
        this.lines += 1;
        this.firstPoint[this.lines] = at;
      }
      this.used = at;
    }
  }

  const cables = new LineStore("cables");
  const paths = new LineStore("paths");
  const outlines = new LineStore("outlines");
  const ways = new LineStore("ways");
  const background = new LineStore("background");
  let shielded = new Uint8Array(0);
  const firstRun = {};
  let placeOfSite = new Int32Array(0);

  function start() {
    for (const name of ["sections", "exposed"]) {
      const counts = data.blocks[`${name}.counts`];
      const first = new Int32Array(counts.length + 1);
      for (let i = 0; i < counts.length; i += 1) first[i + 1] = first[i] + counts[i];
      firstRun[name] = first;
    }
    const order = data.blocks["exposed.order"];
    placeOfSite = new Int32Array(order.length);
    for (let place = 0; place < order.length; place += 1) placeOfSite[order[place]] = place;
    shielded = new Uint8Array(cables.firstPoint.length);
    outlines.add(data.blocks);
    ways.add(data.blocks);
  }

  function add(name, arrays) {
    const store = { cables, paths, background }[name];
    const from = store.owners;
    store.add(arrays);
    if (name === "background") Object.assign(data.blocks, arrays);
    if (name !== "cables") return;
    for (let owner = from; owner < store.owners; owner += 1) {
      const value = arrays["cables.shielded"][owner - from];
      for (let line = store.firstLine[owner]; line < store.firstLine[owner + 1]; line += 1) shielded[line] = value;
    }
  }

  /* [first place, length] of each run of one set. */
  function runs(name, set) {
    const starts = data.blocks[`${name}.starts`];
    const lengths = data.blocks[`${name}.lengths`];
    const found = [];
    for (let run = firstRun[name][set]; run < firstRun[name][set + 1]; run += 1) found.push([starts[run], lengths[run]]);
    return found;
  }

  function exposedSites(point) {
    const order = data.blocks["exposed.order"];
    const rows = [];
    for (const [first, length] of runs("exposed", point)) {
      for (let place = first; place < first + length; place += 1) rows.push(order[place]);
    }
    return rows;
  }

  /* Every switching point whose section holds the site. */
  function pointsExposing(site) {
    const place = placeOfSite[site];
    const found = [];
    for (let point = 0; point < data.rows("switching_points"); point += 1) {
      if (runs("exposed", point).some(([first, length]) => first <= place && place < first + length)) found.push(point);
    }
    return found;
  }

  /* Lines of an exposed section that are in the page, and whether that is all of it. */
  function sectionLines(point) {
    const lines = [];
    let complete = true;
    for (const [first, length] of runs("sections", point)) {
      if (first + length > cables.owners) complete = false;
      const last = Math.min(first + length, cables.owners);
      for (let line = cables.firstLine[Math.min(first, last)]; line < cables.firstLine[last]; line += 1) lines.push(line);
    }
    return { lines, complete };
  }

  /* Every line of some points' sections, once: runs begin and end in one array, whatever lies inside them. */
  function linesOf(points) {
    const steps = new Int32Array(cables.owners + 1);
    for (const point of points) {
      for (const [first, length] of runs("sections", point)) {
        steps[Math.min(first, cables.owners)] += 1;
        steps[Math.min(first + length, cables.owners)] -= 1;
      }
    }
    const lines = [];
    for (let owner = 0, open = 0; owner < cables.owners; owner += 1) {
      open += steps[owner];
      if (open) for (let line = cables.firstLine[owner]; line < cables.firstLine[owner + 1]; line += 1) lines.push(line);
    }
    return lines;
  }

  function pathLines(site) {
    if (site >= paths.owners) return { lines: [], complete: false };
    const lines = [];
    for (let line = paths.firstLine[site]; line < paths.firstLine[site + 1]; line += 1) lines.push(line);
    return { lines, complete: true };
  }

  /* From the nearest switching point on to another one above: the ways between, bottom up. */
  function wayLines(from, to) {
    const lines = [];
    for (let point = from, steps = 0; point >= 0 && point !== to && steps < data.rows("switching_points"); steps += 1) {
      for (let line = ways.firstLine[point]; line < ways.firstLine[point + 1]; line += 1) lines.push(line);
      point = data.blocks["points.above"][point];
    }
    return lines;
  }

  return {
    cables, paths, outlines, ways, background, wayLines, start, add, exposedSites, pointsExposing, sectionLines, linesOf, pathLines,
    isShielded: (line) => shielded[line] === 1,
  };
})();
