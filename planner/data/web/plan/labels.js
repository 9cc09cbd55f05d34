"use strict";
// Names of streets, manholes and pipes, written where they cover neither one another nor a badge.
(function (plan) {
  var STREETS_FROM = 15.5, NODES_FROM = 18, PIPES_FROM = 18.5, REPEAT = 320, STRAIGHT = 0.985;

  // `top` pixels at the upper edge are covered by the band.
  plan.Labels = function (map, top) {
    this.map = map;
    this.top = top;
    this.kinds = [];
  };

  plan.Labels.prototype = {
    // `along` names turn with their line; others stand beside their point.
    add: function (name, shapes, text) {
      var along = name !== "nodes";
      this.kinds.push({
        name: name, text: text, along: along,
        from: { streets: STREETS_FROM, nodes: NODES_FROM, pipes: PIPES_FROM }[name],
        font: (name === "streets" ? "12px" : "11px") + " system-ui, sans-serif",
        shapes: shapes
      });
    },

    paint: function (ctx, size, boxes, isShown) {
      var zoom = this.map.getZoom(), self = this;
      var taken = boxes.slice();
      ctx.textAlign = "center";
      ctx.textBaseline = "middle";
      ctx.lineJoin = "round";
      this.kinds.forEach(function (kind) {
        if (zoom >= kind.from && isShown(kind.name)) { self._kind(ctx, size, kind, taken); }
      });
    },

    _kind: function (ctx, size, kind, taken) {
      var view = this.map.getBounds().pad(0.05), written = [];
      ctx.font = kind.font;
      for (var i = 0; i < kind.shapes.length; i++) {
        var shape = kind.shapes[i], text = kind.text(i);
        if (!text || !touches(view, shape)) { continue; }
        if (text.length > 40) { text = text.slice(0, 39) + "\u2026"; }
        var width = ctx.measureText(text).width;
        var spots = kind.along ? this._alongLine(shape, width, kind) : [this._beside(shape[0], width)];
        this._writeAt(ctx, size, { text: text, width: width, kind: kind }, spots, taken, written);
      }
    },

    _writeAt: function (ctx, size, name, spots, taken, written) {
      for (var k = 0; k < spots.length; k++) {
        var spot = spots[k];
        if (!this._inside(spot, name.width, size)) { continue; }
        if (name.kind.name === "streets" && repeats(written, name.text, spot)) { continue; }
        var cells = cellsOf(spot, name.width);
        if (cells.some(function (c) { return taken.some(function (t) { return plan.overlaps(c, t); }); })) {
          continue;
        }
        Array.prototype.push.apply(taken, cells);
        written.push({ text: name.text, x: spot.x, y: spot.y });
        write(ctx, name.text, spot, name.kind.name);
        if (name.kind.name !== "streets") { return; }
      }
    },

    // Windows of the line that are as long as the text and nearly straight, straightest first.
    _alongLine: function (shape, width, kind) {
      var map = this.map, spots = [];
      var points = shape.map(function (p) { return map.latLngToContainerPoint(p); });
      var wanted = width * (kind.name === "streets" ? 1 : 1.15);
      // Beside the line, so that neither the pipe nor its sleeves are covered.
      var off = kind.name === "streets" ? -13 : 14;
      for (var i = 0; i + 1 < points.length; i++) {
        var way = 0, j = i;
        while (way < wanted && j + 1 < points.length) { way += points[j].distanceTo(points[++j]); }
        var a = points[i], b = points[j], chord = a.distanceTo(b);
        if (way < wanted || chord < way * STRAIGHT) { continue; }
        var angle = Math.atan2(b.y - a.y, b.x - a.x);
        if (angle > Math.PI / 2) { angle -= Math.PI; }
        if (angle < -Math.PI / 2) { angle += Math.PI; }
        spots.push({
          x: (a.x + b.x) / 2 - Math.sin(angle) * off,
          y: (a.y + b.y) / 2 + Math.cos(angle) * off,
          angle: angle, bend: 1 - chord / way
        });
      }
      return spots.sort(function (a, b) { return a.bend - b.bend; });
    },

    _beside: function (point, width) {
      var p = this.map.latLngToContainerPoint(point);
      return { x: p.x + width / 2 + 9, y: p.y - 9, angle: 0 };
    },

    _inside: function (spot, width, size) {
      var x = Math.abs(Math.cos(spot.angle)) * width / 2, y = Math.abs(Math.sin(spot.angle)) * width / 2;
      return spot.x - x > 4 && spot.y - y > this.top + 8 && spot.x + x < size.x - 4
        && spot.y + y < size.y - 8;
    }
  };

  function touches(view, shape) {
    for (var i = 0; i < shape.length; i++) { if (view.contains(shape[i])) { return true; } }
    return shape.length > 1 && view.intersects(L.latLngBounds(shape));
  }

  function repeats(written, text, spot) {
    return written.some(function (w) {
      return w.text === text && Math.hypot(w.x - spot.x, w.y - spot.y) < REPEAT;
    });
  }

  // A turned text as a row of squares: near enough for telling whether two texts touch.
  function cellsOf(spot, width) {
    var cells = [], steps = Math.max(1, Math.ceil(width / 10)), side = 15;
    for (var k = 0; k <= steps; k++) {
      var t = (k / steps - 0.5) * width;
      cells.push({
        x: spot.x + Math.cos(spot.angle) * t - side / 2,
        y: spot.y + Math.sin(spot.angle) * t - side / 2,
        w: side, h: side
      });
    }
    return cells;
  }

  function write(ctx, text, spot, kind) {
    var theme = plan.theme.now();
    ctx.save();
    ctx.translate(spot.x, spot.y);
    ctx.rotate(spot.angle);
    ctx.lineWidth = 3.5;
    ctx.strokeStyle = theme.halo;
    ctx.strokeText(text, 0, 0);
    ctx.fillStyle = theme.names[kind];
    ctx.fillText(text, 0, 0);
    ctx.restore();
  }
})(sleeveplan);
