"use strict";
// One panel that is legend, switches and totals at once.
(function (plan) {
  var element = plan.element;

  // `go` leads to a thing that was found, and to a stop.
  plan.Panel = function (data, state, changed, go) {
    this.data = data;
    this.state = state;
    var self = this;
    this.go = go;
    this.changed = function () { self._stops(); changed(); };
    this.root = element("aside", "plan-panel");
    this.root.id = "panel";
    this._head();
    this._views();
    this.root.appendChild(new plan.Finder(data.layers, go.thing).root);
    this._legend();
    this._others();
    this._routes();
    this._lists();
    document.body.insertBefore(this.root, document.body.firstChild);
  };

  plan.Panel.prototype = {
    _head: function () {
      var panel = this.data.panel, head = element("header");
      head.appendChild(element("h1", "", panel.title));
      if (panel.week) { head.appendChild(element("p", "plan-week", panel.week)); }
      panel.notes.forEach(function (note) { head.appendChild(element("p", "plan-note", note)); });
      this.root.appendChild(head);
    },

    _views: function () {
      this.buttons = {};
      if (!this.data.panel.heads.length) { return; }
      var box = element("div", "plan-views"), self = this, buttons = {};
      [["repairs", "Repairs"], ["week", "Week"]].forEach(function (pair) {
        var button = element("button", "", pair[1]);
        button.type = "button";
        button.id = "view_" + pair[0];
        if (pair[0] === "week" && !self.data.routes.length) {
          button.disabled = true;
          button.title = "No week is planned";
        }
        button.addEventListener("click", function () { self.setView(pair[0]); self.changed(); });
        buttons[pair[0]] = button;
        box.appendChild(button);
      });
      this.buttons = buttons;
      this.root.appendChild(box);
      this.setView(this.state.view);
    },

    setView: function (view) {
      this.state.view = view;
      Object.keys(this.buttons).forEach(function (name) {
        this.buttons[name].setAttribute("aria-pressed", String(name === view));
      }, this);
    },

    _legend: function () {
      var self = this, looks = this.data.looks, table = element("table", "plan-legend");
      table.appendChild(row("th", ["", "", "Pipes and defects", "pipes", "length", "defects"]));
      this.data.panel.legend.forEach(function (line) {
        var look = looks.classes[line["class"]], name = line["class"];
        var tr = element("tr", line.pipes || line.defects ? "" : "plan-empty");
        tr.appendChild(cell(self._switch(self.state.classes, name, look.word)));
        tr.appendChild(cell(swatch(look)));
        var word = element("td", "plan-word", look.word);
        word.appendChild(element("small", "", look.meaning));
        tr.appendChild(word);
        [line.pipes, line.length, line.defects].forEach(function (text) {
          tr.appendChild(element("td", "plan-number", text.toLocaleString("en")));
        });
        table.appendChild(tr);
      });
      this.root.appendChild(table);
      this.root.appendChild(element("p", "plan-hint",
        "The symbol is a defect's, seen close up; the line is its pipe's."));
      if (this.data.panel.counted) {
        this.root.appendChild(element("p", "plan-hint", this.data.panel.counted));
      }
    },

    _others: function () {
      var self = this, counts = this.data.panel.counts, box = element("div", "plan-others");
      [["sleeves", "sleeves"], ["nodes", "manholes"], ["laterals", "connections"],
        ["streets", "streets"], ["names", "names"]].forEach(function (pair) {
        if (pair[0] !== "names" && !(pair[0] in counts)) { return; }
        var label = element("label");
        label.appendChild(self._switch(self.state.others, pair[0], pair[1]));
        var count = pair[0] in counts ? " " + counts[pair[0]].toLocaleString("en") : "";
        if (pair[0] === "streets") { count = ""; }
        label.appendChild(document.createTextNode(pair[1] + count));
        box.appendChild(label);
      });
      this.root.appendChild(box);
    },

    _routes: function () {
      var self = this, panel = this.data.panel, routes = this.data.routes;
      if (!panel.heads.length) { return; }
      if (!routes.length) {
        this.root.appendChild(element("p", "plan-hint plan-none", "No week is planned: no routes."));
        return;
      }
      this._crews();
      var table = element("table", "plan-routes"), days = {};
      table.appendChild(row("th", ["", "Routes"].concat(panel.heads)));
      var total = row("td", ["", "Week"].concat(panel.total));
      total.className = "plan-total";
      table.appendChild(total);
      routes.forEach(function (route, i) { (days[route.day] = days[route.day] || []).push(i); });
      Object.keys(days).map(Number).sort(function (a, b) { return a - b; }).forEach(function (day) {
        table.appendChild(self._dayRow(day, days[day]));
        days[day].forEach(function (i) { table.appendChild(self._routeRow(i)); });
      });
      this.root.appendChild(table);
      this.root.appendChild(element("p", "plan-hint", "A stop reads day.number, e.g. "
        + routes[0].letter + " " + ((routes[0].stops[0] || {}).label || "1.01")
        + ". Lines follow the streets; a straight one is reckoned by air. "
        + "Drive times leave out traffic jams and the turning of trucks."));
      this.stops = element("div", "plan-stops");
      this.root.appendChild(this.stops);
    },

    _crews: function () {
      var self = this, box = element("div", "plan-crews"), crews = {};
      box.setAttribute("role", "group");
      box.setAttribute("aria-label", "Show one crew alone");
      this.data.routes.forEach(function (route) { crews[route.letter] = route.crew; });
      function add(text, wanted) {
        var button = element("button", "plan-crew", text);
        button.type = "button";
        button.addEventListener("click", function () {
          self.data.routes.forEach(function (route, i) { self._setRoute(i, wanted(route)); });
          self._toWeek();
        });
        box.appendChild(button);
      }
      Object.keys(crews).forEach(function (letter) {
        add(letter + " " + crews[letter], function (route) { return route.letter === letter; });
      });
      add("all crews and days", function () { return true; });
      this.root.appendChild(box);
      this._pages(crews);
    },

    // Each crew's page for the field lies beside the map.
    _pages: function (crews) {
      var line = element("p", "plan-hint plan-pages", "Pages for the field: "), pages = {};
      this.data.routes.forEach(function (route) { pages[route.letter] = route.page; });
      Object.keys(crews).forEach(function (letter, i) {
        var link = element("a", "", letter + " " + crews[letter]);
        link.href = pages[letter];
        if (i) { line.appendChild(document.createTextNode(", ")); }
        line.appendChild(link);
      });
      this.root.appendChild(line);
    },

    // The stops that are shown, in their order, for those who use no mouse.
    _stops: function () {
      if (!this.stops) { return; }
      var box = this.stops, state = this.state, go = this.go;
      box.textContent = "";
      if (state.view !== "week") { return; }
      box.appendChild(element("h2", "", "Stops shown"));
      var list = element("ul", "plan-found");
      this.data.routes.forEach(function (route, i) {
        if (!state.routes[i]) { return; }
        route.stops.forEach(function (stop) {
          var said = stop.fields.filter(function (pair) {
            return ["Time", "Stand at", "Works"].indexOf(pair[0]) >= 0;
          }).map(function (pair) { return pair[1]; });
          var item = element("li"), button = element("button", "",
            route.letter + " " + stop.label + "  " + said.join("; "));
          button.type = "button";
          button.addEventListener("click", function () { go.stop(route, stop, button); });
          item.appendChild(button);
          list.appendChild(item);
        });
      });
      box.appendChild(list);
    },

    _dayRow: function (day, members) {
      var self = this, tr = element("tr", "plan-day"), td = element("td");
      var looks = this.data.looks.days, look = looks[(day - 1) % looks.length];
      td.colSpan = 8;
      td.appendChild(daySwatch(look));
      td.appendChild(document.createTextNode("Day " + day + ", " + this.data.routes[members[0]].name));
      var only = element("button", "plan-only", "only");
      only.type = "button";
      only.title = "Show this day alone";
      only.addEventListener("click", function () {
        self.data.routes.forEach(function (route, i) { self._setRoute(i, route.day === day); });
        self._toWeek();
      });
      td.appendChild(only);
      tr.appendChild(td);
      return tr;
    },

    _setRoute: function (i, on) {
      this.state.routes[i] = on;
      this.routeBoxes[i].checked = on;
    },

    _routeRow: function (i) {
      var route = this.data.routes[i], looks = this.data.looks.days, self = this;
      var tr = element("tr"), box = this._switch(this.state.routes, i, route.crew + " " + route.name);
      this.routeBoxes = this.routeBoxes || {};
      this.routeBoxes[i] = box;
      box.addEventListener("change", function () { self._toWeek(); });
      tr.appendChild(cell(box));
      var name = element("td", "plan-word"), badge = element("b", "plan-letter", route.letter);
      badge.style.background = looks[(route.day - 1) % looks.length].colour;
      badge.style.color = looks[(route.day - 1) % looks.length].text;
      name.appendChild(badge);
      name.appendChild(document.createTextNode(route.crew));
      tr.appendChild(name);
      route.cells.forEach(function (text) { tr.appendChild(element("td", "plan-number", text)); });
      return tr;
    },

    _toWeek: function () { this.setView("week"); this.changed(); },

    _lists: function () {
      var panel = this.data.panel;
      panel.lists.forEach(function (pair) { this._list(pair[0], pair[1]); }, this);
      this.root.appendChild(element("p", "plan-hint",
        "Click what is drawn to read about it. " + panel.made_by));
    },

    _list: function (title, lines) {
      if (!lines.length) { return; }
      var list = element("ul", "plan-left");
      lines.forEach(function (line) { list.appendChild(element("li", "", line)); });
      this.root.appendChild(element("h2", "", title));
      this.root.appendChild(list);
    },

    _switch: function (states, name, label) {
      var box = element("input"), changed = this.changed;
      box.type = "checkbox";
      box.checked = states[name];
      box.setAttribute("aria-label", "show " + label);
      box.addEventListener("change", function () { states[name] = box.checked; changed(); });
      return box;
    }
  };

  function cell(node) {
    var td = element("td");
    td.appendChild(node);
    return td;
  }

  function row(tag, texts) {
    var tr = element("tr");
    texts.forEach(function (text, i) {
      var node = element(tag, i > texts.indexOf("Pipes and defects") && i > 1 ? "plan-number" : "", text);
      tr.appendChild(node);
    });
    return tr;
  }

  function canvas(width, height) {
    var node = element("canvas"), ratio = 2;
    node.width = width * ratio;
    node.height = height * ratio;
    node.style.width = width + "px";
    node.style.height = height + "px";
    var ctx = node.getContext("2d");
    ctx.scale(ratio, ratio);
    return { node: node, ctx: ctx };
  }

  function stroke(ctx, y, width, colour, weight, dash) {
    ctx.beginPath();
    ctx.setLineDash(dash);
    ctx.moveTo(1, y);
    ctx.lineTo(width - 1, y);
    ctx.lineWidth = weight;
    ctx.strokeStyle = colour;
    ctx.stroke();
  }

  function swatch(look) {
    var made = canvas(58, 18), ctx = made.ctx;
    if (look.edge) { stroke(ctx, 9, 36, look.edge, look.width + 3, []); }
    stroke(ctx, 9, 36, look.colour, look.width, look.dash);
    plan.symbol(ctx, { x: 48, y: 9 }, 0,
      { shape: look.shape, color: look.colour, edge: look.edge, size: look.shape === "long_bar" ? 5.5 : 6 });
    return made.node;
  }

  function daySwatch(look) {
    var made = canvas(40, 10);
    stroke(made.ctx, 5, 40, look.colour, 4, look.dash);
    return made.node;
  }
})(sleeveplan);
