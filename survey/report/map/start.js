"use strict";
/* Puts the parts together: reads the data, shows it, listens. */
(async () => {
  const { data, network, choice, layer, panel, card, address, marks, about } = survey;
  const map = window.map_survey;
  const at = (id) => document.getElementById(id);
  const canvas = new layer.Canvas();
  let scale = null;
  survey.left = leftOut();

  function leftOut() {
    const inPage = (name) => about.blobs.filter((blob) => blob.name === name).reduce((sum, { directory }) => sum + directory[`${name}.parts`][2], 0);
    return Object.fromEntries(Object.entries(about.counts).map(([name, count]) => [name, count - inPage(name)]));
  }

  function fit({ whole = false } = {}) {
    const bounds = survey.extent.bounds({ whole });
    const small = map.getSize().x < 500;
    const room = small ? 24 : 44;
    const right = room + (small ? 40 : choice.state.kind ? 60 : 20);
    const bottom = room + (small && choice.state.kind ? 44 : 0);
    if (bounds) map.fitBounds(bounds, { paddingTopLeft: [room, room], paddingBottomRight: [right, bottom], maxZoom: 17.5, animate: false });
  }

  /* On a small screen the legend lies on the map, shut until asked for. */
  function startLegend() {
    at("legend").open = !window.matchMedia("(max-width: 759px)").matches;
    const box = survey.table.node("input", { type: "checkbox", id: "show-findings" });
    box.addEventListener("change", () => choice.change({ findings: box.checked }));
    at("legend-body").append(survey.table.node("label", { class: "findings" }, box, survey.table.node("span", { text: `Data findings (${data.rows("findings").toLocaleString("en-US")})` })));
  }

  /* Only what is drawn: marks of the sites shown, lines that there are, the section while something is chosen. */
  function legend() {
    const { node } = survey.table;
    const line = (picture, text) => node("li", {}, picture, node("span", { text }));
    const swatch = (kind) => node("span", { class: `swatch ${kind}` });
    const drawn = new Set();
    for (const row of choice.kept.sites) if (data.placed("sites", row)) drawn.add(marks.markOf(row).key);
    const bands = [...about.bands].reverse().filter(({ key }) => drawn.has(key)).map(({ label, shape, size, colour }) => line(marks.svg(shape, { size, colour }), label));
    const statuses = about.statuses.filter(({ key }) => drawn.has(key)).map(({ shape, size, label }) => line(marks.svg(shape, { size, colour: about.no_hazard }), label));
    const shapes = pointShapes();
    const chosen = choice.state.kind === "site" || choice.state.kind === "point";
    const lines = [
      shapes.has("point") && line(marks.svg("point", { size: 11, colour: about.paper }), "Switching point"),
      shapes.has("other") && line(marks.svg("other", { size: 11, colour: about.paper }), "On a ring or in a loop fed from the other end"),
      (data.blocks["open.x"].length || shapes.has("open")) && line(marks.svg("open", { size: 9, colour: "" }), "Normally open"),
      layer.hasLines(true) && line(swatch("cable"), "Shielded cable"),
      layer.hasLines(false) && line(swatch("overhead"), "Overhead line"),
      chosen && line(swatch("section"), "Exposed cable"),
      chosen && layer.hasLines(false) && line(swatch("exposed-overhead"), "Exposed overhead line"),
      choice.state.kind === "site" && !choice.inState(choice.state.row) && line(swatch("path"), choice.settingPoint(choice.state.row) < 0 ? "Way from the site to its supply" : "Way from the site to the point"),
      network.outlines.owners && line(swatch("outline"), "District"),
      about.changes.length && line(swatch("changed"), "Changed in this what-if"),
      ...survey.ground.legend().map((ground) => line(groundSwatch(ground), ground.words)),
    ].filter(Boolean);
    at("legend-items").replaceChildren(...(bands.length ? [rampLine(node)] : []), node("ul", { "aria-label": "Shape: band" }, ...bands, ...statuses),
      ...(bands.length ? [sizes(node)] : []), node("ul", { "aria-label": "Lines" }, ...lines));
  }

  let shapesSeen = null;

  function pointShapes() {
    shapesSeen ??= new Set(Array.from({ length: data.rows("switching_points") }, (_, row) => marks.pointShape(row)));
    return shapesSeen;
  }

  function groundSwatch({ look, line: colour, fill, width_px: width, dash }) {
    const swatch = survey.table.node("span", { class: "swatch ground" });
    Object.assign(swatch.style, { background: fill, height: fill ? "12px" : "0", borderTop: `${Math.max(1.5, width)}px ${dash.length ? "dashed" : "solid"} ${colour || fill}` });
    if (look === "place") Object.assign(swatch.style, { width: "7px", height: "7px", border: 0, borderRadius: "50%", background: colour });
    return swatch;
  }

  /* The ramp with the hazards at which the bands begin. */
  function rampLine(node) {
    const ramp = node("span", { class: "ramp", "aria-hidden": "true" }, ...about.band_from.filter(Boolean).map((cut) => {
      const tick = node("i");
      tick.style.left = `${cut}%`;
      return tick;
    }));
    ramp.style.background = `linear-gradient(to right, ${about.ramp.filter((_, step) => step % 10 === 0).join(",")})`;
    return node("p", { class: "ramp-line", title: "Colour is the hazard of the worst point: how badly the open phase rings. Bands begin at the ticks." },
      node("span", { text: "Hazard 0" }), ramp, node("span", { text: "100" }));
  }

  function sizes(node) {
    const { shape, size } = about.bands.at(-1);
    const parts = about.rank_sizes.flatMap(({ factor, label }) => [marks.svg(shape, { size: size * factor, colour: about.paper }), node("span", { text: label })]);
    return node("p", { class: "sizes" }, node("span", { text: "Rank" }), ...parts);
  }

  function showScale(units) {
    if (scale) scale.remove();
    scale = L.control.scale({ metric: units === "metric", imperial: units === "us", maxWidth: 140, position: "bottomleft" }).addTo(map);
  }

  function show(state, { part, fit: fitting, narrows, back }) {
    const before = keepView(state, { fitting, back });
    at("here").hidden = true;
    if (narrows) layer.orderSites();
    panel.refresh({ part, narrows });
    card.show();
    at("show-findings").checked = state.findings;
    legend();
    if ("units" in part) showScale(state.units);
    map.invalidateSize({ animate: false, pan: false });
    if (before) map.setView(...before, { animate: false });
    if (fitting) fit();
    canvas.redraw();
    address.write();
  }

  let viewBefore = null;
  let wasOpen = false;

  /* The view from before a card was opened and the map went to it; closing the card goes back there. */
  function keepView(state, { fitting, back }) {
    const isOpen = Boolean(state.kind);
    if (isOpen && !wasOpen && fitting) viewBefore = [map.getCenter(), map.getZoom()];
    const again = !isOpen && back ? viewBefore : null;
    if (!isOpen) viewBefore = null;
    wasOpen = isOpen;
    return again;
  }

  /* A button that shows all that the filters leave. */
  function wholeControl() {
    const control = L.control({ position: "topright" });
    control.onAdd = () => {
      const box = L.DomUtil.create("div", "leaflet-bar");
      const button = survey.table.node("a", { href: "#", role: "button", class: "whole", title: "The whole network", "aria-label": "Show the whole network", text: "all" });
      button.addEventListener("click", (event) => {
        event.preventDefault();
        event.stopPropagation();
        fit({ whole: true });
      });
      box.append(button);
      return box;
    };
    return control;
  }

  function remember() {
    const { lat, lng } = map.getCenter();
    choice.state.view = `${lat.toFixed(5)},${lng.toFixed(5)},${map.getZoom()}`;
    address.write();
  }

  function chooseAt(event) {
    const touch = event.originalEvent && event.originalEvent.pointerType === "touch";
    const found = layer.hit(map, event.containerPoint, touch ? 22 : 12);
    if (found && found.here.length > 1) listHere(found.here, event.containerPoint);
    else if (found) choice.change({ kind: found.kind, row: found.row });
    else if (choice.state.kind) choice.change({ kind: "", row: -1 });
  }

  const NAMES = { site: ["sites", "site_id"], point: ["switching_points", "switch_id"], finding: ["findings", "rule"] };
  const KINDS = { site: "site", point: "switching point", finding: "finding" };
  const MOST_HERE = 12;

  /* Several things in one place: which one is meant is asked, none is hidden. */
  function listHere(here, place) {
    const { node } = survey.table;
    const items = here.slice(0, MOST_HERE).map(({ kind, row }) => {
      const mark = kind === "site" ? marks.svgOfSite(row, 0.85) : kind === "point" ? marks.svgOfPoint(row, 11) : marks.svg("square", { size: 11, colour: "#fbf9f3" });
      const button = node("button", { type: "button" }, mark, node("b", { text: data.shown(...NAMES[kind], row) }), node("span", { class: "remark", text: KINDS[kind] }));
      button.addEventListener("click", () => choice.change({ kind, row }));
      return node("li", {}, button);
    });
    if (here.length > MOST_HERE) items.push(node("li", { class: "hint", text: `and ${here.length - MOST_HERE} more; a nearer view tells them apart` }));
    const box = at("here");
    box.replaceChildren(node("p", { text: `${here.length} in this place` }), node("ul", {}, ...items));
    box.hidden = false;
    box.style.left = `${Math.max(6, Math.min(place.x + 12, map.getSize().x - 230))}px`;
    box.style.top = `${Math.max(6, Math.min(place.y, map.getSize().y - box.offsetHeight))}px`;
    box.querySelector("button").focus();
  }

  let hovering = 0;
  function hoverSoon(event) {
    cancelAnimationFrame(hovering);
    hovering = requestAnimationFrame(() => hover(event));
  }

  function hover(event) {
    const found = layer.hit(map, event.containerPoint, 10);
    const tip = at("tip");
    map.getContainer().style.cursor = found ? "pointer" : "";
    tip.hidden = !found;
    if (!found) return;
    const words = found.kind === "site" ? marks.markOf(found.row).label : found.kind === "point" ? survey.table.stateRemark(found.row) : "";
    const more = found.here.length > 1 ? ` and ${found.here.length - 1} more here` : "";
    tip.textContent = `${data.shown(...NAMES[found.kind], found.row)}${words && ` · ${words}`}${more}`;
    tip.style.transform = `translate(${event.containerPoint.x + 14}px, ${event.containerPoint.y - 10}px)`;
  }

  function openAddress({ first = false } = {}) {
    if (!first && address.isOurs(location.hash)) return;
    const part = address.read(location.hash);
    choice.change(part);
    if (part.view) {
      const [lat, lng, zoom] = part.view.split(",").map(Number);
      map.setView([lat, lng], zoom, { animate: false });
    } else fit();
  }

  function listen() {
    choice.listen(show);
    map.on("moveend", remember);
    map.on("movestart", () => { at("here").hidden = true; });
    map.on("click", chooseAt);
    map.on("mousemove", hoverSoon);
    map.on("mouseout", () => { at("tip").hidden = true; });
    window.addEventListener("popstate", () => openAddress());
    document.addEventListener("keydown", (event) => {
      if (event.key !== "Escape" || event.defaultPrevented) return;
      if (!at("here").hidden) at("here").hidden = true;
      else if (choice.state.kind) choice.close();
    });
    window.addEventListener("beforeprint", () => {
      survey.paper.prepare(map);
      canvas.redraw();
    });
    window.addEventListener("afterprint", () => {
      survey.paper.restore(map);
      canvas.redraw();
    });
  }

  /* The core first, so that sites show at once; then cables and paths. */
  async function read() {
    Object.assign(data.blocks, await data.decoded(0));
    data.start();
    network.start();
    marks.start();
  }

  async function readLines() {
    for (let number = 1; number < about.blobs.length; number += 1) network.add(about.blobs[number].name, await data.decoded(number));
    layer.cablesReady();
  }

  try {
    await read();
    map.setView([0, 0], 3, { animate: false });
    if (about.blobs.length <= 4) await readLines();
    L.control.zoom({ position: "topright" }).addTo(map);
    wholeControl().addTo(map);
    panel.start();
    startLegend();
    listen();
    if (about.credit) {
      at("credit").hidden = false;
      at("credit").textContent = about.credit;
    }
    openAddress({ first: true });
    canvas.addTo(map);
    document.documentElement.dataset.drawn = String(Math.round(performance.now()));
    if (about.blobs.length > 4) {
      await new Promise((resolve) => { requestAnimationFrame(() => setTimeout(resolve)); });
      await readLines();
      canvas.redraw();
      card.show();
      legend();
    }
    at("loading").hidden = true;
    document.documentElement.dataset.ready = String(Math.round(performance.now()));
  } catch (error) {
    at("loading").textContent = `The map could not be read: ${error.message}`;
    throw error;
  }
})();
