"use strict";
// Puts the layers on the map and keeps what is shown in step with view, switches and zoom.
(function (plan) {
  var DEFECTS_FROM = 17, SLEEVES_FROM = 14, NODES_FROM = 16.5, LATERALS_FROM = 17.5, OPEN_ZOOM = 15, FOUND_ZOOM = 18, STOP_ZOOM = 17, BAND_HIGH = 28;
  var READ_ORDER = ["defects", "sleeves", "nodes", "laterals", "pipes"];

  plan.show = function (map, data) {
    document.title = data.panel.title + (data.panel.week ? ", " + data.panel.week : "");
    var state = { view: "repairs", classes: {}, routes: {}, others: {
      sleeves: true, nodes: true, laterals: true, streets: true, names: true } };
    data.looks.order.forEach(function (name) { state.classes[name] = true; });
    data.routes.forEach(function (route, i) { state.routes[i] = true; });
    var view = new View(map, data, state);
    plan.current = view;
    view.panel = new plan.Panel(data, state, function () { view.refresh(); }, {
      thing: function (layer, row, by) { view.goTo(layer, row, by); },
      stop: function (route, stop, by) { view.goToStop(route, stop, by); }
    });
    view.band();
    map.invalidateSize({ animate: false, pan: false });
    view.start();
    plan.theme.watch(function () { view.refresh(); });
    plan.printable(view);
  };

  function View(map, data, state) {
    this.map = map;
    this.data = data;
    this.state = state;
    this.looks = {};
    this.paths = [];
    this.top = data.panel.band ? BAND_HIGH : 0;
    this.extent = L.latLngBounds([]);
  }

  View.prototype = {
    start: function () {
      var map = this.map, self = this;
      this._panes();
      this._build();
      if (this.extent.isValid()) {
        map.fitBounds(this.extent.pad(0.02), { animate: false, maxZoom: 19 });
      } else {
        map.setView([0, 0], OPEN_ZOOM, { animate: false });
        this._nothing();
      }
      this._style();
      L.control.zoom({ position: "topright" }).addTo(map);
      L.control.scale({ metric: !this.data.imperial, imperial: this.data.imperial,
        position: "bottomright" }).addTo(map);
      this.paths.forEach(function (path) { path.addTo(map); });
      this.badges = new plan.Badges(map, this.data.routes, this.data.looks, this.top, function (at, route, stops, back) {
        plan.openPopup(map, at, plan.stopsPopup(route, stops), back);
      });
      this.overlay = new plan.Overlay("names", function (ctx, size) { self._paint(ctx, size); });
      this.overlay.addTo(map);
      map.on("click", this._click, this);
      map.getContainer().setAttribute("role", "region");
      map.getContainer().setAttribute("aria-label", "Map: arrow keys move it, plus and minus zoom");
      map.on("zoomstart", function () { self.badges.hide(); });
      map.on("zoomend", function () { self.badges.show(); });
      // Before the canvases redraw for the new zoom, so that they take its widths.
      map.on("zoom", function () { self._style(); });
    },

    _panes: function () {
      var map = this.map, self = this;
      this.canvases = {};
      [["streets", 350], ["plan", 400], ["routes", 420]].forEach(function (pair) {
        map.createPane(pair[0]).style.zIndex = pair[1];
        if (pair[0] !== "plan") { map.getPane(pair[0]).classList.add("plan-through"); }
        self.canvases[pair[0]] = new plan.Canvas({ pane: pair[0], padding: 0.2, tolerance: 4 });
      });
      map.createPane("names").style.zIndex = 440;
      map.getPane("names").classList.add("plan-through");
    },

    _look: function (name, extra) {
      var look = { pane: "plan", renderer: this.canvases.plan, interactive: true, stroke: true,
        fill: false, opacity: 1, lineCap: "butt", lineJoin: "round", smoothFactor: 1, noClip: false,
        weight: 2, color: "#000000", hidden: false, size: 6, bubblingMouseEvents: true };
      return (this.looks[name] = L.extend(look, extra));
    },

    _build: function () {
      var layers = this.data.layers, classes = this.data.looks.classes, self = this;
      this._look("street", { pane: "streets", renderer: this.canvases.streets, interactive: false,
        lineCap: "round" });
      Object.keys(classes).forEach(function (name) {
        var look = classes[name];
        self._look("pipe_" + name, {});
        self._look("defect_" + name, { shape: look.shape, color: look.colour, edge: look.edge });
      });
      this._look("open", { shape: "ring", size: 5 });
      this._look("shut", { shape: "square", size: 5 });
      this._look("live", { shape: "tick", size: 9 });
      this._look("closed", { shape: "tick", size: 9 });
      this._look("sleeve", { color: this.data.looks.sleeve, least: 12, weight: 13 });
      this.labels = new plan.Labels(this.map, this.top);
      this._lines("streets", plan.Line, function () { return "street"; });
      this._lines("pipes", plan.Line, function (word) { return "pipe_" + word; }, this.data.looks.order);
      this._marks("laterals", "");
      this._marks("nodes", "");
      if (layers.sleeves) { this._lines("sleeves", plan.Sleeve, function () { return "sleeve"; }); }
      this._marks("defects", "defect_", this.data.looks.order);
      this.data.routes.forEach(function (route, i) { self._route(route, i); });
      this._names();
    },

    // Features in the order of their classes, so that what matters more lies on top.
    _order: function (layer, order) {
      var word = plan.texts(layer["class"]), all = layer.n.map(function (n, i) { return i; });
      if (!order) { return all; }
      return all.sort(function (a, b) { return order.indexOf(word(a)) - order.indexOf(word(b)) || a - b; });
    },

    _lines: function (name, Kind, lookOf, order) {
      var layer = this.data.layers[name], shapes = plan.decode(layer), self = this;
      var word = plan.texts(layer["class"]);
      layer.shapes = shapes;
      this._order(layer, order).forEach(function (i) {
        var path = new Kind(shapes[i], self.looks[lookOf(word(i))]);
        self._keep(path, name, i);
        if (name === "pipes") { shapes[i].forEach(function (p) { self.extent.extend(p); }); }
      });
    },

    _marks: function (name, prefix, order) {
      var layer = this.data.layers[name], shapes = plan.decode(layer), self = this;
      var word = plan.texts(layer["class"]);
      layer.shapes = shapes;
      this._order(layer, order).forEach(function (i) {
        self._keep(new plan.Mark(shapes[i][0], self.looks[prefix + word(i)], layer.angle[i]), name, i);
        if (name === "nodes") { self.extent.extend(shapes[i][0]); }
      });
    },

    _keep: function (path, name, i) {
      path.planLayer = name;
      path.planRow = i;
      this.paths.push(path);
    },

    // Everything under the pointer, so that what lies beneath a symbol can be read too.
    _click: function (event) {
      var found = {}, boxes = [], layers = this.data.layers, at = event.layerPoint;
      this.paths.forEach(function (path) {
        if (!path.options.interactive || !path._containsPoint(at)) { return; }
        (found[path.planLayer] = found[path.planLayer] || []).push(path.planRow);
      });
      READ_ORDER.forEach(function (name) {
        (found[name] || []).reverse().forEach(function (row) { boxes.push([layers[name], row]); });
      });
      if (boxes.length) { plan.openPopup(this.map, event.latlng, plan.featuresPopup(boxes)); }
    },

    _route: function (route, i) {
      var days = this.data.looks.days, day = days[(route.day - 1) % days.length], self = this;
      var look = this._look("route_" + i, { pane: "routes", renderer: this.canvases.routes,
        interactive: false, color: day.colour, weight: 3.5, casing: "#ffffff", casingWidth: 2.5,
        dashArray: day.dash.length ? day.dash : null, smoothFactor: 0 });
      // The way out and home is drawn fainter: it would hide the order of the stops.
      var home = this._look("home_" + i, L.extend({}, look, { weight: 1.5, casingWidth: 1, opacity: 0.75 }));
      var draw = function (packed, style) {
        plan.decode(packed).forEach(function (shape) {
          self.paths.push(new plan.Route(shape, style));
          shape.forEach(function (point) { self.extent.extend(point); });
        });
      };
      draw(route.home, home);
      draw(route.way, look);
      route.stops.forEach(function (stop) { self.extent.extend(plan.place(stop.at)); });
      if (route.yard) { this.extent.extend(plan.place(route.yard)); }
    },

    _names: function () {
      var layers = this.data.layers, labels = this.labels;
      ["nodes", "streets", "pipes"].forEach(function (name) {
        labels.add(name, layers[name].shapes, plan.texts(layers[name].fields[0]));
      });
    },

    _style: function () {
      var zoom = this.map.getZoom(), state = this.state, looks = this.looks, week = state.view === "week";
      var share = Math.min(1, Math.max(0.2, (zoom - 11) / 6)), classes = this.data.looks.classes;
      var theme = plan.theme.now();
      looks.street.color = theme.street;
      looks.open.color = looks.shut.color = theme.node;
      looks.live.color = theme.live;
      looks.closed.color = theme.closed;
      looks.street.weight = Math.min(24, Math.max(1.2, Math.pow(2, zoom - 15.5) * 3));
      looks.street.hidden = !state.others.streets;
      Object.keys(classes).forEach(function (name) {
        var look = classes[name], pipe = looks["pipe_" + name], defect = looks["defect_" + name];
        var quiet = name === "none" || name === "unseen";
        var least = quiet ? 0.9 : 2;
        pipe.weight = week ? Math.max(1, 2 * share) : Math.max(least, look.width * share);
        pipe.color = week ? theme.muted : look.colour;
        pipe.opacity = quiet && !week ? theme.quiet : 1;
        pipe.casing = week ? null : look.edge || (theme.dark && plan.theme.sinks(look.colour) ? "#ffffff" : null);
        pipe.casingWidth = zoom < 14 ? 1 : 1.5;
        // Both: one is read when a path is made, the other when it is drawn.
        pipe.dashArray = pipe._dashArray = week ? null : dashes(look.dash, Math.max(0.5, share));
        pipe.hidden = !state.classes[name];
        defect.hidden = week || !state.classes[name] || zoom < DEFECTS_FROM;
        defect.size = zoom < 18 ? 5.5 : 7;
      });
      looks.open.hidden = looks.shut.hidden = !state.others.nodes || zoom < NODES_FROM;
      looks.open.size = looks.shut.size = zoom < 17.5 ? 3.2 : 5;
      looks.live.hidden = looks.closed.hidden = !state.others.laterals || zoom < LATERALS_FROM;
      looks.sleeve.hidden = !state.others.sleeves || !state.classes.sleeve || zoom < SLEEVES_FROM;
      looks.sleeve.weight = zoom < 15.5 ? 5 : zoom < 17 ? 7 : zoom < 18 ? 10 : 14;
      looks.sleeve.least = zoom < 15.5 ? 4 : zoom < 17 ? 6 : 12;
      this.data.routes.forEach(function (route, i) {
        // A light casing parts dark days from a dark ground; a thin one does.
        looks["route_" + i].casingWidth = theme.dark ? 1.2 : 2.5;
        looks["home_" + i].casingWidth = theme.dark ? 0.6 : 1;
        looks["route_" + i].hidden = looks["home_" + i].hidden = !week || !state.routes[i];
      });
    },

    // Where search and the list of stops lead: the thing in the middle, its popup open and in focus.
    goTo: function (name, row, by) {
      var layer = this.data.layers[name], shape = layer.shapes[row], map = this.map;
      var bounds = L.latLngBounds(shape), at = plan.halfway(shape);
      if (name === "streets") {
        map.fitBounds(bounds.pad(0.1), { animate: false, maxZoom: FOUND_ZOOM });
      } else {
        map.setView(at, Math.max(map.getZoom(), FOUND_ZOOM), { animate: false });
      }
      plan.openPopup(map, at, plan.featuresPopup([[layer, row]]), function () { return by; });
    },

    goToStop: function (route, stop, by) {
      var at = plan.place(stop.at);
      this.map.setView(at, Math.max(this.map.getZoom(), STOP_ZOOM), { animate: false });
      plan.openPopup(this.map, at, plan.stopsPopup(route, [stop]), function () { return by; });
    },

    refresh: function () {
      this._style();
      Object.keys(this.canvases).forEach(function (name) { this.canvases[name].repaint(); }, this);
      this.overlay.repaint();
    },

    _paint: function (ctx, size) {
      var state = this.state, data = this.data, names = [];
      var shown = state.view === "week"
        ? data.routes.filter(function (route, i) { return state.routes[i]; }) : [];
      if (plan.theme.printing()) { this._copy(ctx); }
      this.badges.paint(ctx, size, shown);
      if (state.others.names) { names = ["streets", "nodes", "pipes"]; }
      this.labels.paint(ctx, size, this.badges.boxes, function (name) {
        return names.indexOf(name) >= 0 && state.others[name] !== false;
      });
    },

    // The browser leaves the map library's own canvases out of a print; this one it prints.
    _copy: function (ctx) {
      var map = this.map, canvases = this.canvases;
      ["streets", "plan", "routes"].forEach(function (name) {
        var bounds = canvases[name]._bounds, size = bounds.getSize();
        var at = map.layerPointToContainerPoint(bounds.min);
        ctx.drawImage(canvases[name]._container, at.x, at.y, size.x, size.y);
      });
    },

    band: function () {
      var text = this.data.panel.band, holder = this.map.getContainer();
      if (!text) { return; }
      var band = plan.element("div", "plan-band", text + ": nobody has signed this plan");
      band.id = "band";
      holder.classList.add("plan-banded");
      holder.appendChild(band);
      holder.appendChild(plan.element("div", "plan-watermark", text));
    },

    _nothing: function () {
      this.map.getContainer().appendChild(
        plan.element("div", "plan-nothing", "No pipe has a line: there is nothing to draw."));
    }
  };

  function dashes(dash, share) {
    return dash.length ? dash.map(function (part) { return Math.max(1, part * share); }) : null;
  }
})(sleeveplan);
