"use strict";
// The small map of the planner's desk: routes by day as they stand, over streets and pipes.
(function () {
  var DEGREE = 1e7, plan = window.sleeveplan;

  function load(url, then) {
    fetch(url).then(function (answer) { return answer.ok ? answer.json() : null; })
      .then(function (found) { if (found) { then(found); } }, function () {});
  }

  function RouteMap(box) {
    var self = this;
    this.map = L.map(box, { preferCanvas: true, attributionControl: false, zoomSnap: 0.5 });
    this.map.setView([0, 0], 15);
    this.ground = L.layerGroup().addTo(this.map);
    this.group = L.layerGroup().addTo(this.map);
    this.day = document.getElementById("map-day");
    this.lines = {};
    this.data = { routes: [], days: [] };
    this.day.addEventListener("change", function () { self.draw(); });
    plan.theme.watch(function () { self.lay(); self.draw(); });
    load("/planner/ground", function (found) { self.lines = found; self.lay(); self.refresh(); });
  }

  RouteMap.prototype = {
    refresh: function () {
      var self = this;
      load("/planner/map", function (found) { self.data = found; self.draw(); });
    },

    lay: function () {
      var theme = plan.theme.now(), ground = this.ground, lines = this.lines, bounds = L.latLngBounds([]);
      ground.clearLayers();
      [["streets", theme.street, 2.5], ["pipes", theme.muted, 1]].forEach(function (one) {
        if (!lines[one[0]]) { return; }
        plan.decode(lines[one[0]]).forEach(function (shape) {
          L.polyline(shape, { color: one[1], weight: one[2], interactive: false }).addTo(ground);
          if (one[0] === "pipes") { shape.forEach(function (point) { bounds.extend(point); }); }
        });
      });
      if (!this.placed && bounds.isValid()) {
        this.map.fitBounds(bounds.pad(0.05), { animate: false, maxZoom: 18 });
        this.placed = true;
      }
    },

    draw: function () {
      var group = this.group, only = Number(this.day.value), days = this.data.days;
      group.clearLayers();
      this.data.routes.forEach(function (route) {
        if (only && route.day !== only) { return; }
        var look = days[(route.day - 1) % days.length];
        [[route.home, 1.5], [route.way, 3.5]].forEach(function (part) {
          plan.decode(part[0]).forEach(function (shape) {
            L.polyline(shape, { color: "#ffffff", weight: part[1] + 3, interactive: false }).addTo(group);
            L.polyline(shape, { color: look.colour, weight: part[1], interactive: false,
              dashArray: look.dash ? look.dash.split(" ") : null }).addTo(group);
          });
        });
        route.stops.forEach(function (stop) { badge(route, stop, group); });
      });
    }
  };

  function badge(route, stop, group) {
    var text = document.createElement("span");
    text.className = "map-day-" + ((route.day - 1) % 5 + 1);
    text.textContent = route.letter + " " + stop.label;
    L.marker([stop.at[1] / DEGREE, stop.at[0] / DEGREE], { keyboard: false, interactive: false,
      icon: L.divIcon({ className: "map-stop", html: text, iconSize: [0, 0] }) }).addTo(group);
  }

  document.addEventListener("DOMContentLoaded", function () {
    var box = document.getElementById("map");
    if (box) { window.routeMap = new RouteMap(box); }
  });
}());
