"use strict";
// Popups. Everything here is built from nodes and textContent: text from a file stays text.
(function (plan) {
  plan.element = function (tag, className, text) {
    var node = document.createElement(tag);
    if (className) { node.className = className; }
    if (text !== undefined) { node.textContent = text; }
    return node;
  };

  function rows(pairs) {
    var list = plan.element("dl");
    pairs.forEach(function (pair) {
      list.appendChild(plan.element("dt", "", pair[0]));
      var value = plan.element("dd", "", pair[2] ? undefined : pair[1]);
      if (pair[2]) {
        var link = plan.element("a", "", pair[1]);
        // Only a file of the project: the tool wrote the way to it, relative to this page.
        link.href = pair[2];
        link.target = "_blank";
        link.rel = "noopener";
        value.appendChild(link);
      }
      list.appendChild(value);
    });
    return list;
  }

  var MOST = 8;

  // `found` lists pairs of layer and row, what lies on top first.
  plan.featuresPopup = function (found) {
    var box = plan.element("div", "plan-popup");
    found.slice(0, MOST).forEach(function (pair) { describe(box, pair[0], pair[1]); });
    if (found.length > MOST) {
      box.appendChild(plan.element("p", "plan-hint",
        "and " + (found.length - MOST) + " more here: zoom in to part them"));
    }
    return box;
  };

  function describe(box, layer, i) {
    var fields = layer.fields;
    var title = plan.texts(fields[0])(i);
    box.appendChild(plan.element("h2", "", fields[0].label + " " + title));
    box.appendChild(rows(fields.slice(1).map(function (field) {
      return [field.label, plan.texts(field)(i), field.href ? plan.texts(field.href)(i) : ""];
    }).filter(function (pair) { return pair[1] !== ""; })));
    if (layer.pictures[i]) {
      // A background: what is in a picture cannot run, whatever a name in it holds.
      var strip = plan.element("div", "plan-strip");
      strip.setAttribute("role", "img");
      strip.setAttribute("aria-label", "strip of " + title + ", flow from left to right");
      strip.style.backgroundImage =
        "url(\"data:image/svg+xml;charset=utf-8," + encodeURIComponent(layer.pictures[i]) + "\")";
      var high = /height="([\d.]+)"/.exec(layer.pictures[i]), wide = /width="([\d.]+)"/.exec(layer.pictures[i]);
      strip.style.aspectRatio = wide[1] + " / " + high[1];
      box.appendChild(strip);
    }
    var more = layer.more[i];
    if (more) {
      box.appendChild(plan.element("h3", "", layer.more_title));
      var list = plan.element("ul");
      more.forEach(function (line) { list.appendChild(plan.element("li", "", line)); });
      box.appendChild(list);
    }
  }

  plan.stopsPopup = function (route, stops) {
    var box = plan.element("div", "plan-popup");
    stops.forEach(function (stop) {
      box.appendChild(plan.element("h2", "", "Stop " + route.letter + " " + stop.label));
      box.appendChild(plan.element("p", "", route.crew + ", " + route.name));
      box.appendChild(rows(stop.fields));
    });
    return box;
  };

  // `back` gives what has the focus once the popup is closed again; without it nothing moves.
  plan.openPopup = function (map, at, box, back) {
    // A strip wants room for its words.
    var most = map.getSize().x - 100, wide = box.querySelector(".plan-strip") ? Math.min(600, most) : 0;
    var popup = L.popup({ maxWidth: Math.min(most, Math.max(360, wide)), minWidth: Math.min(most, Math.max(220, wide)), maxHeight: Math.max(160, map.getSize().y - 120),
      autoPanPadding: [20, 50] }).setLatLng(at).setContent(box).openOn(map);
    if (!back) { return; }
    box.tabIndex = -1;
    box.focus({ preventScroll: true });
    popup.on("remove", function () {
      var to = box.contains(document.activeElement) || document.activeElement === document.body ? back() : null;
      if (to) { to.focus(); }
    });
    box.addEventListener("keydown", function (event) {
      if (event.key === "Escape") { event.stopPropagation(); map.closePopup(popup); }
    });
  };
})(sleeveplan);
