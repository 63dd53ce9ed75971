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
    return { cables: about.counts.cables - inPage("cables"), paths: about.counts.paths - inPage("paths") };
  }

  function fit() {
    const bounds = layer.latLngBounds();
    const room = map.getSize().x < 500 ? 24 : 44;
    const chosen = choice.state.kind ? 60 : 0;
    if (bounds) map.fitBounds(bounds, { paddingTopLeft: [room, room], paddingBottomRight: [room + chosen, room], maxZoom: 17.5, animate: false });
  }

  const MEANING = "Band: by hazard, that is how high and how often the open phase rings.";

  /* The legend's own place is in the margin; on a small screen it lies on the map, shut until asked for. */
  function legend() {
    at("legend").open = !window.matchMedia("(max-width: 759px)").matches;
    const { node } = survey.table;
    const body = at("legend-body");
    const line = (picture, text) => node("li", {}, picture, node("span", { text }));
    const swatch = (kind) => node("span", { class: `swatch ${kind}` });
    const ramp = node("span", { class: "ramp", "aria-hidden": "true" });
    ramp.style.background = `linear-gradient(to right, ${about.ramp.filter((_, step) => step % 10 === 0).join(",")})`;
    const bands = [...about.bands].reverse().map(({ key, label, shape, size }) =>
      line(marks.svg(shape, { size, colour: marks.colourOfBand(key, { low: 10, moderate: 35, high: 60, severe: 85 }[key]) }), label));
    const present = new Set(data.blocks["sites.status.texts"] || []);
    const statuses = about.statuses.filter(({ key }) => present.has(key)).map(({ shape, size, label }) => line(marks.svg(shape, { size, colour: about.no_priority }), label));
    const box = node("input", { type: "checkbox", id: "show-findings" });
    box.addEventListener("change", () => choice.change({ findings: box.checked }));
    body.replaceChildren(
      node("p", { class: "ramp-line" }, node("span", { text: "Priority" }), node("span", { text: "0" }), ramp, node("span", { text: "100" })),
      node("p", { class: "meaning", text: MEANING }),
      node("ul", {}, ...bands, ...statuses),
      node("ul", {}, line(marks.svg("point", { size: 11, colour: "#fbf9f3" }), "Switching point"), line(swatch("cable"), "Shielded cable"),
        line(swatch("overhead"), "Overhead line"), line(swatch("path"), "Walked path"), line(swatch("section"), "Exposed section"),
        line(swatch("outline"), "District")),
      node("label", { class: "findings" }, box, node("span", { text: `Data findings (${data.rows("findings").toLocaleString("en-US")})` })),
    );
  }

  function showScale(units) {
    if (scale) scale.remove();
    scale = L.control.scale({ metric: units === "metric", imperial: units === "us", maxWidth: 140, position: "bottomleft" }).addTo(map);
  }

  function show(state, { part, fit: fitting, narrows }) {
    if (narrows) layer.orderSites();
    panel.refresh({ part, narrows });
    card.show();
    at("show-findings").checked = state.findings;
    if ("units" in part) showScale(state.units);
    map.invalidateSize({ animate: false, pan: false });
    if (fitting) fit();
    canvas.redraw();
    address.write();
  }

  function remember() {
    const { lat, lng } = map.getCenter();
    choice.state.view = `${lat.toFixed(5)},${lng.toFixed(5)},${map.getZoom()}`;
    address.write();
  }

  function chooseAt(event) {
    const touch = event.originalEvent && event.originalEvent.pointerType === "touch";
    const found = layer.hit(map, event.containerPoint, touch ? 22 : 12);
    if (found) choice.change({ kind: found.kind, row: found.row });
    else if (choice.state.kind) choice.change({ kind: "", row: -1 });
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
    const [table, column] = { site: ["sites", "site_id"], point: ["switching_points", "switch_id"], finding: ["findings", "rule"] }[found.kind];
    const band = found.kind === "site" ? ` · ${marks.markOf(found.row).label}` : "";
    tip.textContent = `${data.text(table, column, found.row)}${band}`;
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
    map.on("click", chooseAt);
    map.on("mousemove", hoverSoon);
    map.on("mouseout", () => { at("tip").hidden = true; });
    window.addEventListener("hashchange", () => openAddress());
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && choice.state.kind && !event.defaultPrevented) choice.change({ kind: "", row: -1 });
    });
    window.addEventListener("beforeprint", () => map.invalidateSize({ animate: false }));
  }

  /* The core first, so that sites show at once; then cables and paths. */
  async function read() {
    Object.assign(data.blocks, await data.decoded(0));
    data.start();
    network.start();
    marks.start();
    choice.narrow();
    layer.orderSites();
  }

  async function readLines() {
    for (let number = 1; number < about.blobs.length; number += 1) network.add(about.blobs[number].name, await data.decoded(number));
    layer.cablesReady();
  }

  try {
    await read();
    map.setView([0, 0], 3, { animate: false });
    if (survey.about.blobs.length <= 3) await readLines();
    L.control.zoom({ position: "topright" }).addTo(map);
    panel.start();
    legend();
    listen();
    if (about.credit) {
      at("credit").hidden = false;
      at("credit").textContent = about.credit;
    }
    openAddress({ first: true });
    canvas.addTo(map);
    document.documentElement.dataset.drawn = String(Math.round(performance.now()));
    if (survey.about.blobs.length > 3) {
      await new Promise((resolve) => { requestAnimationFrame(() => setTimeout(resolve)); });
      await readLines();
      canvas.redraw();
      card.show();
    }
    at("loading").hidden = true;
    document.documentElement.dataset.ready = String(Math.round(performance.now()));
  } catch (error) {
    at("loading").textContent = `The map could not be read: ${error.message}`;
    throw error;
  }
})();
