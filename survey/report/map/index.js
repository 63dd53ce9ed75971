"use strict";
/* Which lines are in view: a square grid over the middles of the lines, and a small picture of all of them for far views. */
survey.LineIndex = class LineIndex {
  constructor(store) {
    this.store = store;
    this.long = [];
    this.bounds = this.findBounds();
    this.side = Math.max(1, Math.min(512, Math.ceil(Math.sqrt(store.lines / 40))));
    this.cell = Math.max(1, this.bounds.size / this.side);
    this.sort();
  }

  findBounds() {
    const { x, y, used } = this.store;
    let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let i = 0; i < used; i += 1) {
      if (x[i] < west) west = x[i];
      if (x[i] > east) east = x[i];
      if (y[i] < south) south = y[i];
      if (y[i] > north) north = y[i];
    }
    return { west, south, east, north, size: Math.max(east - west, north - south, 1) };
  }

  /* Counting sort of the lines by cell; lines longer than a cell are kept apart. */
  sort() {
    const { store, side, cell, bounds } = this;
    const cellOf = new Int32Array(store.lines).fill(-1);
    this.first = new Int32Array(side * side + 1);
    for (let line = 0; line < store.lines; line += 1) {
      const box = this.box(line);
      if (!box) continue;
      if (box[2] - box[0] > cell || box[3] - box[1] > cell) {
        this.long.push(line);
        continue;
      }
      const column = Math.min(side - 1, Math.floor(((box[0] + box[2]) / 2 - bounds.west) / cell));
      const row = Math.min(side - 1, Math.floor(((box[1] + box[3]) / 2 - bounds.south) / cell));
      cellOf[line] = row * side + column;
      this.first[cellOf[line] + 1] += 1;
    }
    for (let i = 0; i < side * side; i += 1) this.first[i + 1] += this.first[i];
    const next = this.first.slice();
    this.lines = new Int32Array(this.first[side * side]);
    for (let line = 0; line < store.lines; line += 1) {
      if (cellOf[line] < 0) continue;
      this.lines[next[cellOf[line]]] = line;
      next[cellOf[line]] += 1;
    }
  }

  box(line) {
    const { x, y, firstPoint } = this.store;
    let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let i = firstPoint[line]; i < firstPoint[line + 1]; i += 1) {
      west = Math.min(west, x[i]);
      east = Math.max(east, x[i]);
      south = Math.min(south, y[i]);
      north = Math.max(north, y[i]);
    }
    return west === Infinity ? null : [west, south, east, north];
  }

  /* Cells that touch a view, one more on each side: a line may reach half a cell past its own. */
  range(view) {
    const { side, cell, bounds } = this;
    const clamp = (value) => Math.max(0, Math.min(side - 1, Math.floor(value)));
    return [
      clamp((view.west - bounds.west) / cell - 1), clamp((view.south - bounds.south) / cell - 1),
      clamp((view.east - bounds.west) / cell + 1), clamp((view.north - bounds.south) / cell + 1),
    ];
  }

  count(view) {
    const [left, low, right, high] = this.range(view);
    let sum = this.long.length;
    for (let row = low; row <= high; row += 1) {
      sum += this.first[row * this.side + right + 1] - this.first[row * this.side + left];
    }
    return sum;
  }

  forEach(view, visit) {
    const [left, low, right, high] = this.range(view);
    for (const line of this.long) visit(line);
    for (let row = low; row <= high; row += 1) {
      const last = this.first[row * this.side + right + 1];
      for (let i = this.first[row * this.side + left]; i < last; i += 1) visit(this.lines[i]);
    }
  }

  draw(context, view, colour) {
    const { canvas, west, north, size } = this.picture(colour);
    context.drawImage(canvas, view.left + west * view.scale, view.top - north * view.scale, size * view.scale, size * view.scale);
  }

  /* All short lines on a picture of at most 2048 by 2048 cells, made once. */
  picture(colour) {
    if (this.made) return this.made;
    const { bounds, store } = this;
    const size = 2048;
    const canvas = document.createElement("canvas");
    canvas.width = size;
    canvas.height = size;
    const context = canvas.getContext("2d");
    const image = context.createImageData(size, size);
    const scale = (size - 1) / bounds.size;
    for (const line of this.lines) {
      for (let i = store.firstPoint[line]; i < store.firstPoint[line + 1]; i += 1) {
        const column = Math.round((store.x[i] - bounds.west) * scale);
        const row = size - 1 - Math.round((store.y[i] - bounds.south) * scale);
        image.data.set(colour, (row * size + column) * 4);
      }
    }
    context.putImageData(image, 0, 0);
    this.made = { canvas, size: bounds.size, west: bounds.west, north: bounds.south + bounds.size };
    return this.made;
  }
};
