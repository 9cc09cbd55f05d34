"use strict";
// The estimator's desk: the explanation as a dialog, figures that moved, rows that are being typed in.
(function () {
  var before = new Map(), opener = null;

  function figures(root) {
    var found = new Map();
    root.querySelectorAll("[data-k]").forEach(function (cell) { found.set(cell.dataset.k, cell.textContent.trim()); });
    return found;
  }

  document.addEventListener("htmx:beforeSwap", function (event) {
    var target = event.detail.target;
    if (target && target.hasAttribute("data-live")) { before = figures(target); }
  });
  document.addEventListener("htmx:afterSwap", function (event) {
    if (event.detail.target.id === "why-in") {
      var box = document.getElementById("why");
      if (!box.open) { box.showModal(); }
      box.scrollTop = 0;
      document.getElementById("why-head").focus();
      return;
    }
    var live = document.querySelector("[data-live]");
    if (!live || !before.size) { return; }
    live.querySelectorAll("[data-k]").forEach(function (cell) {
      var old = before.get(cell.dataset.k);
      if (old !== undefined && old !== cell.textContent.trim()) { cell.classList.add("est-moved"); }
    });
    before = new Map();
  });

  // A second form for the same price would hide what was typed into the first.
  document.addEventListener("htmx:beforeRequest", function (event) {
    var opens = event.detail.elt.dataset.opens, open = opens && document.getElementById(opens);
    if (open) { event.preventDefault(); open.querySelector("input:not([type=hidden])").focus(); }
  });
  function tell() {
    var told = document.querySelector("[data-told]");
    if (told) { window.review.say(told.dataset.told, "good"); told.removeAttribute("data-told"); }
  }
  document.addEventListener("htmx:oobAfterSwap", tell);
  document.addEventListener("htmx:afterSettle", function () {
    tell();
    var open = document.querySelector(".est-edit input[data-first]");
    if (open) { open.removeAttribute("data-first"); open.focus(); open.select(); }
  });

  document.addEventListener("click", function (event) {
    var at = event.target.closest("[data-shut], [data-cancel], [data-print], .est-why");
    if (!at) {
      if (event.target.id === "why") { event.target.close(); }
      return;
    }
    if (at.classList.contains("est-why")) { opener = at.id; }
    if (at.hasAttribute("data-shut")) { document.getElementById("why").close(); }
    if (at.hasAttribute("data-print")) { window.print(); }
    if (at.hasAttribute("data-cancel")) {
      var row = at.closest("tr"), shown = row.previousElementSibling;
      row.remove();
      var again = shown && shown.querySelector("button");
      if (again) { again.focus(); }
    }
  });
  document.addEventListener("close", function (event) {
    // The figures may have been drawn anew while the explanation was open.
    var again = event.target.id === "why" && opener && document.getElementById(opener);
    if (again) { again.focus(); }
  }, true);
}());
