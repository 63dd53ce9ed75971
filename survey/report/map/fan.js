"use strict";
/* Sites and switching points that stand in one place: in a near view they are drawn side by side on short stalks. */
survey.fan = (() => {
  const { data } = survey;
  const NEAR_ZOOM = 15.5;
  const REACH = 17;
  const ONE_PLACE_M = 1.0;
  const STILL = [0, 0];
  const shifts = { sites: new Map(), switching_points: new Map() };
  const stalks = [];

  /* Places taken by more than one; the first of each stays where it is. */
  function start() {
    const side = ONE_PLACE_M / survey.about.step_m;
    const places = new Map();
    for (const table of ["sites", "switching_points"]) {
      for (let row = 0; row < data.rows(table); row += 1) {
        if (!data.placed(table, row)) continue;
        const key = Math.round(data.blocks[`${table}.x`][row] / side) * 67108864 + Math.round(data.blocks[`${table}.y`][row] / side);
        const there = places.get(key);
        if (there === undefined) places.set(key, [table, row]);
        else there.push(table, row);
      }
    }
    for (const there of places.values()) if (there.length > 2) spread(there);
  }

  function spread(there) {
    const count = there.length / 2 - 1;
    const rounds = Math.ceil(count / 8);
    for (let i = 0; i < count; i += 1) {
      const angle = Math.PI * (0.25 + (2 * i) / Math.min(count, 8));
      const reach = REACH * (1 + Math.floor(i / 8) * (rounds > 1 ? 0.9 : 0));
      const [table, row] = there.slice(2 * i + 2, 2 * i + 4);
      shifts[table].set(row, [Math.cos(angle) * reach, -Math.sin(angle) * reach]);
      stalks.push([table, row]);
    }
  }

  function opens(view) {
    return view.zoom >= NEAR_ZOOM && stalks.length > 0;
  }

  function shift(view, table, row) {
    return (opens(view) && table in shifts && shifts[table].get(row)) || STILL;
  }

  function paintStalks(context, view) {
    if (!opens(view)) return;
    context.strokeStyle = survey.marks.INK;
    context.lineWidth = 0.9;
    context.beginPath();
    for (const [table, row] of stalks) {
      const x = view.left + data.blocks[`${table}.x`][row] * view.scale;
      const y = view.top - data.blocks[`${table}.y`][row] * view.scale;
      if (x < -30 || y < -30 || x > view.width + 30 || y > view.height + 30) continue;
      const [dx, dy] = shift(view, table, row);
      context.moveTo(x, y);
      context.lineTo(x + dx, y + dy);
    }
    context.stroke();
  }

  return { start, opens, shift, paintStalks };
})();
