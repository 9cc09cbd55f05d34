"use strict";
// One box over pipes, manholes, streets and defects. Found things are buttons: text stays text.
(function (plan) {
  var element = plan.element, MOST = 12;
  var KINDS = [["pipes", "pipe", []], ["nodes", "manhole", ["Street"]], ["streets", "street", []],
    ["defects", "defect", ["Code", "Pipe", "Place", "Span"]]];

  plan.find = function (layers, asked) {
    var words = asked.toLowerCase().split(/\s+/).filter(Boolean), hits = [];
    if (!words.length) { return hits; }
    KINDS.forEach(function (kind, order) {
      var layer = layers[kind[0]];
      if (!layer) { return; }
      var texts = textsOf(layer, kind[2]);
      for (var i = 0; i < layer.n.length; i++) {
        var title = texts[0](i).toLowerCase(), all = title;
        if (!title) { continue; }
        for (var k = 1; k < texts.length; k++) { all += " " + texts[k](i).toLowerCase(); }
        if (!words.every(function (word) { return all.indexOf(word) >= 0; })) { continue; }
        var whole = words.join(" ");
        var rank = title === whole ? 0 : title.indexOf(whole) === 0 ? 1 : 2;
        hits.push({ layer: kind[0], row: i, rank: rank, order: order,
          text: kind[1] + " " + texts.map(function (t) { return t(i); }).filter(Boolean).join(", ") });
      }
    });
    return hits.sort(function (a, b) { return a.rank - b.rank || a.order - b.order || a.row - b.row; });
  };

  function textsOf(layer, labels) {
    var wanted = layer.fields.filter(function (field, i) { return i === 0 || labels.indexOf(field.label) >= 0; });
    return wanted.map(plan.texts);
  }

  // A box with its list; `go` is told what was picked and by which button.
  plan.Finder = function (layers, go) {
    var self = this, label = element("label", "plan-find", "Find a pipe, manhole, street or defect");
    this.layers = layers;
    this.go = go;
    this.root = element("div", "plan-finder");
    this.root.setAttribute("role", "search");
    this.box = element("input");
    this.box.type = "search";
    this.box.id = "find";
    this.box.autocomplete = "off";
    label.appendChild(this.box);
    this.said = element("p", "plan-hint");
    this.said.setAttribute("role", "status");
    this.list = element("ul", "plan-found");
    [label, this.said, this.list].forEach(function (node) { self.root.appendChild(node); });
    this.box.addEventListener("input", function () { self.look(); });
    this.root.addEventListener("keydown", function (event) { self._key(event); });
  };

  plan.Finder.prototype = {
    look: function () {
      var hits = plan.find(this.layers, this.box.value), self = this;
      this.list.textContent = "";
      hits.slice(0, MOST).forEach(function (hit) {
        var item = element("li"), button = element("button", "", hit.text);
        button.type = "button";
        button.addEventListener("click", function () { self.go(hit.layer, hit.row, button); });
        item.appendChild(button);
        self.list.appendChild(item);
      });
      var more = hits.length > MOST ? MOST + " of " + hits.length + " shown" : hits.length + " found";
      this.said.textContent = this.box.value.trim() ? more : "";
    },

    _key: function (event) {
      var buttons = Array.prototype.slice.call(this.list.querySelectorAll("button"));
      var at = buttons.indexOf(document.activeElement), step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
      if (event.key === "Escape") {
        this.box.value = "";
        this.look();
        this.box.focus();
      } else if (event.key === "Enter" && at < 0 && buttons.length) {
        buttons[0].click();
      } else if (step && buttons.length) {
        (buttons[at + step] || (at + step < 0 ? this.box : buttons[at])).focus();
      } else {
        return;
      }
      if (event.key !== "Enter" || at < 0) { event.preventDefault(); event.stopPropagation(); }
    }
  };
})(sleeveplan);
