"use strict";
// Numbers on stops. Stops of one route that lie close share a badge ("A 3.04-06"); badges that
// would cover one another move aside and keep a leader line to their place.
(function (plan) {
  var NEAR = 26, HIGH = 18, RINGS = [0, 18, 34, 52, 72, 96, 124];
  var WAYS = [[0, -1], [1, -1], [-1, -1], [1, 0], [-1, 0], [0, 1], [1, 1], [-1, 1]];

  plan.ranges = function (numbers) {
    var out = [], start = 0;
    for (var i = 1; i <= numbers.length; i++) {
      if (i === numbers.length || numbers[i] !== numbers[i - 1] + 1) {
        var first = two(numbers[start]), last = two(numbers[i - 1]);
        out.push(first === last ? first : first + "-" + last);
        start = i;
      }
    }
    return out.length > 3 ? out.slice(0, 3).join(",") + ",.." : out.join(",");
  };

  function two(number) { return (number < 10 ? "0" : "") + number; }

  plan.overlaps = function (a, b) {
    return a.x < b.x + b.w && b.x < a.x + a.w && a.y < b.y + b.h && b.y < a.y + a.h;
  };

  plan.Badges = function (map, routes, looks, top, openStops) {
    this.map = map;
    this.routes = routes;
    this.looks = looks;
    this.top = top;
    this.openStops = openStops;
    this.pane = map.createPane("badges");
    this.pane.style.zIndex = 610;
    this.boxes = [];
  };

  plan.Badges.prototype = {
    paint: function (ctx, size, shown) {
      L.DomUtil.empty(this.pane.querySelector(".plan-badges") || this._holder());
      this.boxes = [];
      if (!shown.length) { return; }
      ctx.font = "bold 11px system-ui, sans-serif";
      var groups = this._groups(ctx, size, shown), self = this;
      var dots = groups.map(function (g) { return { x: g.at.x - 6, y: g.at.y - 6, w: 12, h: 12 }; });
      groups.forEach(function (group) { self._settle(group, dots, size); });
      groups.forEach(function (group) { self._dot(ctx, group); });
      groups.forEach(function (group) { self._button(group); });
    },

    _holder: function () { return L.DomUtil.create("div", "plan-badges", this.pane); },

    _groups: function (ctx, size, shown) {
      var all = [], yards = {}, map = this.map, looks = this.looks;
      shown.forEach(function (route) {
        var mine = [], day = looks.days[(route.day - 1) % looks.days.length];
        route.stops.forEach(function (stop) {
          var at = map.latLngToContainerPoint(plan.place(stop.at));
          if (!inView(at, size)) { return; }
          var near = mine.filter(function (g) { return g.at.distanceTo(at) < NEAR; })[0];
          if (near) { near.stops.push(stop); return; }
          mine.push({ at: at, route: route, stops: [stop], colour: day.colour, ink: day.text });
        });
        mine.forEach(function (g) {
          g.text = route.letter + " " + route.day + "."
            + plan.ranges(g.stops.map(function (s) { return s.seq; }));
        });
        all = all.concat(mine);
        if (route.yard) {
          var place = route.yard.join(), yard = yards[place];
          if (!yard) { yard = yards[place] = { at: route.yard, crews: [] }; }
          if (yard.crews.indexOf(route.letter) < 0) { yard.crews.push(route.letter); }
        }
      });
      Object.keys(yards).sort().forEach(function (place) {
        var at = map.latLngToContainerPoint(plan.place(yards[place].at));
        if (!inView(at, size)) { return; }
        all.push({ at: at, stops: [], colour: "#1d2730", ink: "#ffffff",
          text: "yard " + yards[place].crews.join(", ") });
      });
      all.forEach(function (g) { g.w = Math.ceil(ctx.measureText(g.text).width) + 12; });
      return all;
    },

    _settle: function (group, dots, size) {
      var boxes = this.boxes, best = null, top = this.top;
      function tryAll(obstacles) {
        for (var r = 1; r < RINGS.length && !best; r++) {
          for (var k = 0; k < WAYS.length && !best; k++) {
            var box = boxAt(group, WAYS[k], RINGS[r]);
            var out = box.x < 2 || box.y < top + 2 || box.x + box.w > size.x - 2 || box.y + HIGH > size.y - 2;
            var hit = obstacles.some(function (one) { return plan.overlaps(box, one); });
            if (!out && !hit) { best = box; }
          }
        }
      }
      tryAll(boxes.concat(dots));
      if (!best) { tryAll(boxes); }
      group.box = best || boxAt(group, [0, -1], RINGS[1]);
      boxes.push(group.box);
    },

    _dot: function (ctx, group) {
      var box = group.box, middle = L.point(box.x + box.w / 2, box.y + HIGH / 2);
      ctx.strokeStyle = "#ffffff";
      ctx.lineWidth = 4;
      line(ctx, group.at, middle);
      ctx.strokeStyle = group.colour;
      ctx.lineWidth = 1.5;
      line(ctx, group.at, middle);
      ctx.beginPath();
      ctx.arc(group.at.x, group.at.y, 5, 0, 2 * Math.PI);
      ctx.fillStyle = group.colour;
      ctx.strokeStyle = "#ffffff";
      ctx.lineWidth = 2;
      ctx.fill();
      ctx.stroke();
    },

    _button: function (group) {
      var holder = this.pane.querySelector(".plan-badges"), open = this.openStops, map = this.map;
      var node = L.DomUtil.create(group.stops.length ? "button" : "span", "plan-badge", holder);
      node.textContent = group.text;
      node.style.background = group.colour;
      node.style.color = group.ink;
      node.style.width = group.w + "px";
      L.DomUtil.setPosition(node, map.containerPointToLayerPoint([group.box.x, group.box.y]));
      if (!group.stops.length) { return; }
      node.type = "button";
      node.title = group.route.crew + ", " + group.route.name;
      L.DomEvent.disableClickPropagation(node);
      L.DomEvent.on(node, "click", function () {
        // The map may move for the popup, and badges are made anew: it is known by its text.
        open(map.containerPointToLatLng(group.at), group.route, group.stops, function () {
          return Array.prototype.filter.call(holder.querySelectorAll("button"),
            function (one) { return one.textContent === group.text; })[0];
        });
      });
    },

    hide: function () { this.pane.style.display = "none"; },
    show: function () { this.pane.style.display = ""; }
  };

  function boxAt(group, way, ring) {
    return {
      x: group.at.x - group.w / 2 + way[0] * (ring - 4 + group.w / 2),
      y: group.at.y - HIGH / 2 + way[1] * ring,
      w: group.w + 2,
      h: HIGH + 2
    };
  }

  function line(ctx, a, b) {
    ctx.beginPath();
    ctx.moveTo(a.x, a.y);
    ctx.lineTo(b.x, b.y);
    ctx.stroke();
  }

  function inView(p, size) { return p.x > -20 && p.y > -20 && p.x < size.x + 20 && p.y < size.y + 20; }
})(sleeveplan);
