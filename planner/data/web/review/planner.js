"use strict";
// The planner's desk: stops by drag, the panel, and a week that never changes under the hand.
(function () {
  var held = null, kept = null, asked = false;

  function stopOf(target) { return target.closest ? target.closest("li.stop") : null; }
  function listOf(target) { return target.closest ? target.closest("ol.stops") : null; }

  // Drag and drop: what is said to the server is what a person says by the panel.
  function unmark() {
    document.querySelectorAll(".stop.before, .stop.behind, .stops.over").forEach(function (one) {
      one.classList.remove("before", "behind", "over");
    });
  }

  function other(stop) { return stop && stop === held ? stop.previousElementSibling : stop; }

  // Where a stop would stand: its list, and the stop behind which it comes.
  function spot(event) {
    var list = listOf(event.target), stop = stopOf(event.target), box, before;
    if (!list) { return null; }
    if (!stop || !list.dataset.day) {
      before = other(list.lastElementChild);
      return { list: list, after: before ? before.dataset.setup : "" };
    }
    box = stop.getBoundingClientRect();
    if (event.clientY > box.top + box.height / 2) {
      return { list: list, after: stop.dataset.setup, stop: stop, behind: true };
    }
    before = other(stop.previousElementSibling);
    return { list: list, after: before ? before.dataset.setup : "", stop: stop, behind: false };
  }

  document.addEventListener("dragstart", function (event) {
    var stop = stopOf(event.target);
    if (!stop || !stop.draggable) { return; }
    held = stop;
    event.dataTransfer.effectAllowed = "move";
    event.dataTransfer.setData("text/plain", stop.dataset.setup);
    stop.classList.add("held");
  });

  document.addEventListener("dragover", function (event) {
    var at = held && spot(event);
    if (!at) { return; }
    event.preventDefault();
    unmark();
    if (at.stop && at.stop !== held) {
      at.stop.classList.add(at.behind ? "behind" : "before");
    } else {
      at.list.classList.add("over");
    }
  });

  document.addEventListener("dragend", function () {
    if (held) { held.classList.remove("held"); }
    held = null;
    unmark();
  });

  document.addEventListener("drop", function (event) {
    var at = held && spot(event), stop = held;
    if (!at) { return; }
    event.preventDefault();
    unmark();
    if (at.after === stop.dataset.setup) { return; }
    var panel = document.getElementById("panel"), reason = document.getElementById("drag-reason");
    var values = { setup: stop.dataset.setup, seen: stop.dataset.seen,
      run: document.getElementById("week").dataset.run, day: at.list.dataset.day, after: at.after,
      change: at.list.dataset.day ? "move" : "take_off", reason: reason.value };
    // The panel is filled anew only where it shows this stop and nothing is typed into it.
    if (panel.dataset.setup === values.setup && !typed(panel)) { values.panel = "yes"; }
    held = null;
    window.htmx.ajax("POST", "/planner/move", { target: "#told", values: values, source: stop });
  });

  function typed(panel) {
    return Array.prototype.some.call(panel.querySelectorAll("input:not([type=hidden])"), function (one) {
      return one.type === "checkbox" ? one.checked !== one.defaultChecked : one.value !== one.defaultValue;
    });
  }

  // Nothing changes while a stop is held; what is open stays open.
  function byPoll(event) {
    var asker = event.detail.requestConfig ? event.detail.requestConfig.elt : event.detail.elt;
    return asker && asker.classList && asker.classList.contains("poll");
  }

  document.addEventListener("htmx:beforeRequest", function (event) {
    if (held && byPoll(event)) { event.preventDefault(); }
  });
  document.addEventListener("htmx:beforeSwap", function (event) {
    if (held && byPoll(event)) { event.detail.shouldSwap = false; }
    keep();
  });

  function keep() {
    var wide = document.querySelector("#week .wide"), open = {};
    document.querySelectorAll("#week details").forEach(function (one) { open[one.id] = one.open; });
    kept = { open: open, left: wide ? wide.scrollLeft : 0, focus: document.activeElement && document.activeElement.id };
  }

  document.addEventListener("htmx:load", function (event) {
    var loaded = event.detail.elt;
    if (loaded.id === "week") { weekShown(); }
    if (loaded.id === "panel" && asked) {
      asked = false;
      loaded.querySelector("#panel-head").focus();
    }
  });

  function weekShown() {
    if (kept) {
      document.querySelectorAll("#week details").forEach(function (one) {
        if (one.id in kept.open) { one.open = kept.open[one.id]; }
      });
      var wide = document.querySelector("#week .wide"), at = kept.focus && document.getElementById(kept.focus);
      if (wide) { wide.scrollLeft = kept.left; }
      if (at && document.activeElement === document.body) { at.focus({ preventScroll: true }); }
      kept = null;
    }
    tellPanel();
    if (window.routeMap) { window.routeMap.refresh(); }
  }

  // Somebody else changed the stop whose panel is open: it is said, and nothing typed is touched.
  function tellPanel() {
    var panel = document.getElementById("panel"), seen = document.getElementById("seen");
    var news = document.getElementById("panel-news");
    if (!news || !seen) { return; }
    var stop = document.getElementById("stop-" + panel.dataset.setup), line = document.createElement("p");
    news.replaceChildren();
    if (stop && stop.dataset.seen === seen.value) { return; }
    line.className = "told said-warn";
    line.textContent = stop ? "It was changed meanwhile. Open it again to see how it stands."
      : "It is no set-up of this week any more.";
    news.append(line);
  }

  // The panel.
  document.addEventListener("click", function (event) {
    if (!event.target.closest) { return; }
    if (event.target.closest("[hx-get^='/planner/stop/']")) { asked = true; }
    if (event.target.closest("#panel-shut")) { shut(); }
  });
  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape" && document.querySelector("#panel.open")) { shut(); }
  });

  function shut() {
    var panel = document.getElementById("panel"), back = document.getElementById("open-" + panel.dataset.setup);
    panel.classList.remove("open");
    panel.replaceChildren();
    delete panel.dataset.setup;
    if (back) { back.focus(); }
  }
}());
