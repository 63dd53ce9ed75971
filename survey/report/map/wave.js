"use strict";
/* The worst sequence of a leading site in time: voltages of the phases without and with arresters, on one scale. */
survey.wave = (() => {
  const { about } = survey;
  const { node } = survey.table;
  const SPACE = "http://www.w3.org/2000/svg";
  const [WIDTH, HEIGHT, LEFT] = [330, 96, 26];

  function draw(name, attributes, text) {
    const made = document.createElementNS(SPACE, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    return made;
  }

  const crest = (voltages, closed) => Math.max(...voltages.filter((_, phase) => !closed[phase]).flat().map(Math.abs)) / 100;

  /* One panel: normal crest and the limit as lines across, closed phases pale, open ones in ink. */
  function panel(voltages, { closed, cycles, top, label }) {
    const svg = draw("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "wave", role: "img", "aria-label": label });
    const y = (pu) => HEIGHT / 2 - (pu / top) * (HEIGHT / 2 - 6);
    const across = (pu, kind) => [-pu, pu].forEach((at) => svg.append(draw("line", { x1: LEFT, x2: WIDTH, y1: y(at), y2: y(at), class: kind })));
    across(0, "zero");
    across(about.voltage_limit_pu, "limit");
    for (const at of [top, 1, -1, -top]) svg.append(draw("text", { x: LEFT - 4, y: y(at) + 4 }, Math.abs(at) === 1 ? String(at) : at.toFixed(1)));
    for (let cycle = 0; cycle <= cycles; cycle += 1) {
      const x = LEFT + ((WIDTH - LEFT) * cycle) / cycles;
      svg.append(draw("line", { x1: x, x2: x, y1: HEIGHT - 3, y2: HEIGHT, class: "zero" }));
    }
    const order = [0, 1, 2].sort((a, b) => closed[b] - closed[a]);
    let open = 0;
    for (const phase of order) {
      const points = voltages[phase].map((v, i) => `${(LEFT + ((WIDTH - LEFT) * i) / (voltages[phase].length - 1)).toFixed(1)},${y(v / 100).toFixed(1)}`);
      svg.append(draw("polyline", { points: points.join(" "), class: closed[phase] ? "closed" : ["first", "second"][open] }));
      open += closed[phase] ? 0 : 1;
    }
    return svg;
  }

  /* Of a site; nothing where the survey drew none. */
  function of(row) {
    const wave = about.waveforms.find(({ sites }) => sites.includes(row));
    if (!wave) return [];
    const [plain, held] = [crest(wave.plain, wave.closed), crest(wave.held, wave.closed)];
    const top = Math.max(plain, held, 1.3);
    const told = (words, peak) => `${words}: up to ${peak.toFixed(1)} times normal crest`;
    const parts = [["Without arresters", wave.plain, plain], ["With an arrester on every open phase", wave.held, held]];
    return [
      node("h3", { text: "The worst sequence in time" }),
      ...parts.flatMap(([words, voltages, peak]) => [node("p", { class: "wave-words", text: told(words, peak) }), panel(voltages, { ...wave, top, label: told(words, peak) })]),
      node("p", { class: "hint", text: `No load; ${wave.words}. ${wave.cycles} cycles; pale: the closed phases; dashed lines: the limit, ${about.voltage_limit_pu} times. Of leading sites only.` }),
    ];
  }

  return { of };
})();
