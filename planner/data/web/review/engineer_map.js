"use strict";
// The map of the desk: all pipes in the look of what stands there, streets under them, the opened
// place on top. It uses the drawing of the plan's own map.
(function (plan) {
  var CLOSE_ZOOM = 17, map, data, looks = {}, canvases = {}, byPipe = {}, drawn = [], top = null, wanted = null, layers = null;

  function say(text) { document.getElementById("map-said").textContent = text; }

  function start(found) {
    data = found;
    if (!map) { build(); }
    draw();
    if (wanted) { show.apply(null, wanted); }
    map.getContainer().dataset.drawn = "yes";
  }

  function build() {
    map = L.map("map", { zoomControl: false, attributionControl: false, zoomSnap: 0.5, maxZoom: 22, fadeAnimation: false });
    L.control.zoom({ position: "topright" }).addTo(map);
    L.control.scale({ metric: !data.imperial, imperial: data.imperial, position: "bottomright" }).addTo(map);
    [["streets", 350], ["plan", 400]].forEach(function (pair) {
      map.createPane(pair[0]).style.zIndex = pair[1];
      canvases[pair[0]] = new plan.Canvas({ pane: pair[0], padding: 0.3, tolerance: 5 });
    });
    map.createPane("opened").style.zIndex = 450;
    map.getPane("opened").style.pointerEvents = "none";
    map.on("zoom", style);
    map.on("click", chosen);
    map.on("mousemove", hover);
    plan.theme.watch(function () { style(); repaint(); });
    window.addEventListener("resize", function () { map.invalidateSize({ animate: false }); });
  }

  function draw() {
    if (layers) { layers.forEach(function (one) { map.removeLayer(one); }); }
    layers = [];
    byPipe = {};
    drawn = [];
    var extent = L.latLngBounds([]), word = plan.texts(data.pipes["class"]), order = data.looks.order;
    looks.street = look({ pane: "streets", renderer: canvases.streets, lineCap: "round" });
    Object.keys(data.looks.classes).forEach(function (name) { looks[name] = look({ pane: "plan", renderer: canvases.plan }); });
    var shapes = plan.decode(data.pipes), at = shapes.map(function (one, i) { return i; });
    at.sort(function (a, b) { return order.indexOf(word(a)) - order.indexOf(word(b)) || a - b; });
    at.forEach(function (i) {
      var line = new plan.Line(shapes[i], looks[word(i)]);
      line.pipe = data.pipes.id[i];
      byPipe[line.pipe] = line;
      drawn.push(line);
      shapes[i].forEach(function (point) { extent.extend(point); });
    });
    if (extent.isValid()) { map.fitBounds(extent.pad(0.03), { animate: false, maxZoom: 18 }); } else { map.setView([0, 0], 2); }
    style();
    plan.decode(data.streets).forEach(function (shape) { layers.push(new plan.Line(shape, looks.street).addTo(map)); });
    drawn.forEach(function (line) { layers.push(line.addTo(map)); });
    var missing = data.undrawn ? data.undrawn + (data.undrawn === 1 ? " pipe has" : " pipes have") + " no line, so the map leaves it out." : "";
    say(drawn.length ? missing : "No pipe has a line: there is nothing to draw.");
  }

  function look(extra) {
    return L.extend({ interactive: false, stroke: true, fill: false, opacity: 1, lineCap: "butt", lineJoin: "round",
      smoothFactor: 1, noClip: false, weight: 2, color: "#000000", hidden: false, bubblingMouseEvents: true }, extra);
  }

  function style() {
    var zoom = map.getZoom(), share = Math.min(1, Math.max(0.25, (zoom - 11) / 6)), theme = plan.theme.now();
    looks.street.color = theme.street;
    looks.street.weight = Math.min(20, Math.max(1, Math.pow(2, zoom - 15.5) * 2.6));
    Object.keys(data.looks.classes).forEach(function (name) {
      var told = data.looks.classes[name], one = looks[name], quiet = name === "none" || name === "unseen";
      one.color = told.colour;
      one.weight = Math.max(quiet ? 0.9 : 2, told.width * share * 0.85);
      one.opacity = quiet ? theme.quiet : 1;
      one.casing = told.edge || (theme.dark && plan.theme.sinks(told.colour) ? "#ffffff" : null);
      one.casingWidth = zoom < 14 ? 1 : 1.5;
      one.dashArray = one._dashArray = told.dash.length ? told.dash.map(function (part) { return Math.max(1, part * Math.max(0.5, share)); }) : null;
    });
  }

  function repaint() { canvases.plan.repaint(); canvases.streets.repaint(); }

  function nearest(point) {
    for (var i = drawn.length - 1; i >= 0; i--) {
      if (drawn[i]._parts && drawn[i]._pxBounds && drawn[i]._containsPoint(point)) { return drawn[i]; }
    }
    return null;
  }

  function chosen(event) {
    var line = nearest(event.layerPoint);
    if (line) { document.dispatchEvent(new CustomEvent("pipe-chosen", { detail: line.pipe })); }
  }

  var looked = 0;
  function hover(event) {
    var now = Date.now();
    if (now - looked < 60) { return; }
    looked = now;
    map.getContainer().classList.toggle("over-pipe", Boolean(nearest(event.layerPoint)));
  }

  // The point at a share of a line's way.
  function along(shape, share) {
    var whole = 0, i, part;
    for (i = 1; i < shape.length; i++) { whole += shape[i - 1].distanceTo(shape[i]); }
    var left = whole * Math.min(1, Math.max(0, share));
    for (i = 1; i < shape.length; i++) {
      part = shape[i - 1].distanceTo(shape[i]);
      if (left <= part && part > 0) {
        return L.latLng(shape[i - 1].lat + (shape[i].lat - shape[i - 1].lat) * left / part,
          shape[i - 1].lng + (shape[i].lng - shape[i - 1].lng) * left / part);
      }
      left -= part;
    }
    return shape[shape.length - 1];
  }

  function show(pipe, from, to, length) {
    wanted = [pipe, from, to, length];
    if (!data) { return; }
    var line = byPipe[pipe];
    if (top) { map.removeLayer(top); top = null; }
    if (!line) { say("Pipe " + pipe + " has no line on the map."); return; }
    say("");
    var shape = line.getLatLngs(), at = along(shape, length > 0 ? (from + to) / 2 / length : 0.5);
    var edge = plan.theme.now().dark ? "#ffffff" : "#1d2730", pane = { pane: "opened", interactive: false };
    top = L.layerGroup([
      L.polyline(shape, L.extend({ color: edge, weight: 11, opacity: 0.28 }, pane)),
      L.circleMarker(at, L.extend({ radius: 9, color: "#ffffff", weight: 5, fill: false }, pane)),
      L.circleMarker(at, L.extend({ radius: 9, color: "#1d2730", weight: 2.5, fill: false }, pane))
    ]).addTo(map);
    map.setView(at, Math.max(map.getZoom(), CLOSE_ZOOM), { animate: false });
  }

  function load() {
    fetch("/engineer/map.json").then(function (answer) { return answer.ok ? answer.json() : Promise.reject(); })
      .then(start, function () { say("The map's data did not come; load the page again."); });
  }

  window.reviewMap = {
    show: show,
    load: load,
    restyle: function (pipe, word) {
      var line = byPipe[pipe];
      if (!line || !looks[word] || line.options === looks[word]) { return; }
      line.options = looks[word];
      repaint();
    },
    lookOf: function (pipe) {
      return Object.keys(looks).filter(function (name) { return byPipe[pipe] && byPipe[pipe].options === looks[name]; })[0];
    },
    map: function () { return map; }
  };
  document.addEventListener("DOMContentLoaded", load);
}(sleeveplan));
