"use strict";
// What is drawn on the canvases: lines in the look of their class, symbols, sleeves, routes.
// The looks are objects shared by all features of a class: one change restyles thousands.
var sleeveplan = {};
(function (plan) {
  var DEGREE = 1e7;
  var PAPER = "#ffffff";

  plan.texts = function (column) {
    return column.all
      ? function (i) { return column.all[i]; }
      : function (i) { return column.words[column.at[i]]; };
  };

  plan.decode = function (layer) {
    var shapes = [], lon = 0, lat = 0, at = 0;
    for (var i = 0; i < layer.n.length; i++) {
      var points = new Array(layer.n[i]);
      for (var k = 0; k < points.length; k++) {
        lon += layer.xy[at++];
        lat += layer.xy[at++];
        points[k] = new L.LatLng(lat / DEGREE, lon / DEGREE);
      }
      shapes.push(points);
    }
    return shapes;
  };

  // The point of a line's own that lies nearest the half of its way.
  plan.halfway = function (shape) {
    var whole = 0, i;
    for (i = 1; i < shape.length; i++) { whole += shape[i - 1].distanceTo(shape[i]); }
    for (i = 1, whole /= 2; i < shape.length; i++) {
      var part = shape[i - 1].distanceTo(shape[i]);
      if (part > 0 && whole <= part) {
        var share = whole / part, a = shape[i - 1], b = shape[i];
        return new L.LatLng(a.lat + (b.lat - a.lat) * share, a.lng + (b.lng - a.lng) * share);
      }
      whole -= part;
    }
    return shape[0];
  };

  plan.place = function (whole) { return new L.LatLng(whole[1] / DEGREE, whole[0] / DEGREE); };

  plan.Canvas = L.Canvas.extend({
    _fillStroke: function (ctx, layer) {
      var options = layer.options;
      if (options.casing) {
        ctx.globalAlpha = 1;
        ctx.setLineDash([]);
        ctx.lineWidth = options.weight + 2 * options.casingWidth;
        ctx.strokeStyle = options.casing;
        ctx.lineCap = "butt";
        ctx.lineJoin = "round";
        ctx.stroke();
      }
      L.Canvas.prototype._fillStroke.call(this, ctx, layer);
    },
    repaint: function () { if (this._map && this._ctx) { this._clear(); this._draw(); } }
  });

  plan.Line = L.Polyline.extend({
    initialize: function (points, look) { this._setLatLngs(points); this.options = look; },
    _updatePath: function () {
      if (!this.options.hidden) { this._renderer._updatePoly(this); }
    },
    _containsPoint: function (p) {
      return !this.options.hidden && L.Polyline.prototype._containsPoint.call(this, p);
    }
  });

  // A sleeve is a metre or so: drawn to scale, but never shorter than can be seen.
  plan.Sleeve = plan.Line.extend({
    _ends: function () {
      var ring = this._rings && this._rings[0];
      return ring && ring.length ? [ring[0], ring[ring.length - 1]] : null;
    },
    _updatePath: function () {
      var ends = this._ends(), look = this.options, ctx = this._renderer._ctx;
      if (look.hidden || !this._renderer._drawing || !ends) { return; }
      var a = ends[0], b = ends[1], length = a.distanceTo(b);
      if (length < look.least) {
        var middle = a.add(b).divideBy(2), angle = Math.atan2(b.y - a.y, b.x - a.x);
        var half = L.point(Math.cos(angle), Math.sin(angle)).multiplyBy(look.least / 2);
        strokeSleeve(ctx, [middle.subtract(half), middle.add(half)], look);
      } else {
        strokeSleeve(ctx, this._rings[0], look);
      }
    },
    _containsPoint: function (p) {
      var ends = this._ends();
      if (this.options.hidden || !ends) { return false; }
      var middle = ends[0].add(ends[1]).divideBy(2);
      return p.distanceTo(middle) <= Math.max(ends[0].distanceTo(ends[1]), this.options.least) / 2 + 3;
    }
  });

  function strokeSleeve(ctx, points, look) {
    trace(ctx, points);
    ctx.setLineDash([]);
    ctx.lineCap = "butt";
    ctx.globalAlpha = 1;
    ctx.lineWidth = look.weight + 3;
    ctx.strokeStyle = PAPER;
    ctx.stroke();
    ctx.lineWidth = look.weight;
    ctx.strokeStyle = look.color;
    ctx.stroke();
    if (look.weight >= 9) {
      // The window in it, closed at both ends, lets the pipe and its defects be seen.
      trace(ctx, shortened(points, 2.5));
      ctx.lineWidth = look.weight - 5;
      ctx.strokeStyle = "#d9ecf7";
      ctx.stroke();
    }
  }

  function shortened(points, by) {
    var out = points.slice(), last = out.length - 1;
    out[0] = towards(points[0], points[1], by);
    out[last] = towards(points[last], points[last - 1], by);
    return out;
  }

  function towards(from, to, by) {
    var length = from.distanceTo(to);
    return length > 0 ? from.add(to.subtract(from).multiplyBy(Math.min(by / length, 0.5))) : from;
  }

  function trace(ctx, points) {
    ctx.beginPath();
    for (var i = 0; i < points.length; i++) {
      ctx[i ? "lineTo" : "moveTo"](points[i].x, points[i].y);
    }
  }

  plan.Mark = L.CircleMarker.extend({
    initialize: function (point, look, angle) {
      this._latlng = point;
      this.options = look;
      this._angle = angle === null ? null : (angle || 0) * Math.PI / 180;
      this._radius = look.size;
    },
    _updatePath: function () {
      if (!this.options.hidden && this._renderer._drawing && !this._empty()) {
        plan.symbol(this._renderer._ctx, this._point, this._angle, this.options);
      }
    },
    _containsPoint: function (p) {
      return !this.options.hidden && p.distanceTo(this._point) <= this.options.size + 3;
    }
  });

  // Outlines in a box from -1 to 1; x runs along the pipe for those that turn with it.
  var OUTLINES = {
    bar: [[-1, -0.5], [1, -0.5], [1, 0.5], [-1, 0.5]],
    long_bar: [[-1.5, -0.42], [1.5, -0.42], [1.5, 0.42], [-1.5, 0.42]],
    triangle: [[-1, -0.8], [1, -0.8], [0, 1]],
    diamond: [[0, -1.05], [1.05, 0], [0, 1.05], [-1.05, 0]],
    square: [[-0.75, -0.75], [0.75, -0.75], [0.75, 0.75], [-0.75, 0.75]]
  };
  var TURNED = { bar: 1, long_bar: 1, tick: 1 };
  var HOLLOW = { ring: 1, square: 1 };

  plan.symbol = function (ctx, at, angle, look) {
    var size = look.size, outline = OUTLINES[look.shape];
    ctx.save();
    ctx.translate(at.x, at.y);
    if (TURNED[look.shape]) { ctx.rotate(angle === null ? Math.PI / 4 : angle); }
    ctx.setLineDash([]);
    ctx.lineJoin = "round";
    ctx.globalAlpha = 1;
    ctx.beginPath();
    if (look.shape === "tick") {
      // Without a side it stands across the pipe.
      ctx.moveTo(angle === null ? -size * 0.7 : 0, 0);
      ctx.lineTo(angle === null ? size * 0.7 : size, 0);
      ctx.lineWidth = 2;
      ctx.strokeStyle = look.color;
      ctx.stroke();
      ctx.restore();
      return;
    }
    if (outline) {
      for (var i = 0; i < outline.length; i++) {
        ctx[i ? "lineTo" : "moveTo"](outline[i][0] * size, outline[i][1] * size);
      }
      ctx.closePath();
    } else {
      ctx.arc(0, 0, look.shape === "dot" ? size * 0.6 : size * 0.8, 0, 2 * Math.PI);
    }
    ctx.lineWidth = look.shape === "dot" ? 2 : 4.5;
    ctx.strokeStyle = PAPER;
    ctx.stroke();
    ctx.fillStyle = HOLLOW[look.shape] ? PAPER : look.color;
    ctx.fill();
    ctx.lineWidth = HOLLOW[look.shape] ? 2.5 : 1.2;
    ctx.strokeStyle = HOLLOW[look.shape] ? look.color : look.edge || look.color;
    ctx.stroke();
    ctx.restore();
  };

  plan.Route = plan.Line.extend({
    _updatePath: function () {
      var look = this.options, renderer = this._renderer;
      if (look.hidden || !renderer._drawing || !this._parts.length) { return; }
      renderer._updatePoly(this);
      var ring = this._rings[0] || [], ctx = renderer._ctx;
      ctx.setLineDash([]);
      var at = middle(ring);
      if (at) { arrow(ctx, ring[at - 1], ring[at], look.color); }
    }
  });

  // The end of the piece that holds the middle of a way as drawn; 0 where it has no piece.
  function middle(ring) {
    var left = 0, i;
    for (i = 1; i < ring.length; i++) { left += ring[i - 1].distanceTo(ring[i]); }
    for (i = 1, left /= 2; i < ring.length; i++) {
      left -= ring[i - 1].distanceTo(ring[i]);
      if (left <= 0) { return i; }
    }
    return 0;
  }

  function arrow(ctx, from, to, colour) {
    if (from.distanceTo(to) < 56) { return; }
    ctx.save();
    ctx.translate((from.x + to.x) / 2, (from.y + to.y) / 2);
    ctx.rotate(Math.atan2(to.y - from.y, to.x - from.x));
    ctx.beginPath();
    ctx.moveTo(8, 0);
    ctx.lineTo(-6, 6);
    ctx.lineTo(-6, -6);
    ctx.closePath();
    ctx.lineWidth = 3;
    ctx.strokeStyle = PAPER;
    ctx.stroke();
    ctx.fillStyle = colour;
    ctx.fill();
    ctx.restore();
  }

  // A canvas as large as the view, repainted when the view rests: for names and leader lines.
  plan.Overlay = L.Layer.extend({
    initialize: function (pane, paint) { this._paneName = pane; this._paint = paint; },
    onAdd: function (map) {
      this._canvas = L.DomUtil.create("canvas", "plan-overlay", map.getPane(this._paneName));
      map.on("moveend resize", this.repaint, this);
      map.on("zoomstart", this._hide, this);
      this.repaint();
    },
    onRemove: function (map) {
      L.DomUtil.remove(this._canvas);
      map.off("moveend resize", this.repaint, this);
      map.off("zoomstart", this._hide, this);
    },
    _hide: function () { this._canvas.style.display = "none"; },
    repaint: function () {
      var size = this._map.getSize(), ratio = window.devicePixelRatio || 1;
      if (plan.theme.printing()) { ratio = Math.max(2, ratio); }
      this._canvas.width = size.x * ratio;
      this._canvas.height = size.y * ratio;
      this._canvas.style.width = size.x + "px";
      this._canvas.style.height = size.y + "px";
      this._canvas.style.display = "";
      L.DomUtil.setPosition(this._canvas, this._map.containerPointToLayerPoint([0, 0]));
      var ctx = this._canvas.getContext("2d");
      ctx.scale(ratio, ratio);
      this._paint(ctx, size);
    }
  });
})(sleeveplan);
