"use strict";
/* Sites and switching points that stand in one place: in a near view they are drawn side by side on short stalks. */
survey.fan = (() => {
  const { data } = survey;
  const NEAR_ZOOM = 15.5;
  const REACH = 17;
  const ONE_PLACE_M = 1.0;
  const STILL = [0, 0];
  const shifts = { sites: new Map(), switching_points: new Map() };
  let stalks = null;

  /* Places taken by more than one, found with a table of slots; the first of each stays where it is. Made when first needed. */
  function start() {
    const tables = ["sites", "switching_points"];
    const side = ONE_PLACE_M / survey.about.step_m;
    const total = data.rows(tables[0]) + data.rows(tables[1]);
    const size = 2 ** Math.ceil(Math.log2(2 * total + 2));
    const [slots, cx, cy] = [new Int32Array(size).fill(-1), new Int32Array(total), new Int32Array(total)];
    const nameOf = (one) => (one < data.rows(tables[0]) ? [tables[0], one] : [tables[1], one - data.rows(tables[0])]);
    const shared = new Map();
    let one = -1;
    for (const table of tables) {
      const [x, y] = [data.blocks[`${table}.x`], data.blocks[`${table}.y`]];
      for (let row = 0; row < data.rows(table); row += 1) {
        one += 1;
        if (!data.placed(table, row)) continue;
        cx[one] = Math.round(x[row] / side);
        cy[one] = Math.round(y[row] / side);
        let slot = (Math.imul(cx[one], 73856093) ^ Math.imul(cy[one], 19349663)) & (size - 1);
        while (slots[slot] >= 0 && (cx[slots[slot]] !== cx[one] || cy[slots[slot]] !== cy[one])) slot = (slot + 1) & (size - 1);
        if (slots[slot] < 0) slots[slot] = one;
        else shared.set(slots[slot], [...(shared.get(slots[slot]) || nameOf(slots[slot])), ...nameOf(one)]);
      }
    }
    for (const there of shared.values()) spread(there);
    stalks ??= [];
  }

  function spread(there) {
    const count = there.length / 2 - 1;
    const rounds = Math.ceil(count / 8);
    for (let i = 0; i < count; i += 1) {
      const angle = Math.PI * (0.25 + (2 * i) / Math.min(count, 8));
      const reach = REACH * (1 + Math.floor(i / 8) * (rounds > 1 ? 0.9 : 0));
      const [table, row] = there.slice(2 * i + 2, 2 * i + 4);
      shifts[table].set(row, [Math.cos(angle) * reach, -Math.sin(angle) * reach]);
      (stalks ??= []).push([table, row]);
    }
  }

  function opens(view) {
    if (view.zoom < NEAR_ZOOM) return false;
    if (!stalks) start();
    return stalks.length > 0;
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

  return { opens, shift, paintStalks };
})();
