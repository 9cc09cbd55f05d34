"use strict";
// Colours of the ground for light and dark; those of decisions and days are the same on both.
(function (plan) {
  var asked = window.matchMedia("(prefers-color-scheme: dark)");
  var LIGHT = { dark: false, street: "#e4e1d9", muted: "#c3c8cc", node: "#6b747c", live: "#4d565e",
    closed: "#b4babf", quiet: 1, halo: "rgba(255,255,255,0.92)",
    names: { streets: "#5c6064", nodes: "#1d2730", pipes: "#3d4a55" } };
  var DARK = { dark: true, street: "#2b333a", muted: "#56616a", node: "#aab4bc", live: "#b9c3ca",
    closed: "#626d76", quiet: 0.5, halo: "rgba(18,23,27,0.92)",
    names: { streets: "#aeb7be", nodes: "#eef2f4", pipes: "#cdd6dc" } };
  var printing = false;

  plan.theme = {
    now: function () { return asked.matches && !printing ? DARK : LIGHT; },
    print: function (on) { printing = on; },
    printing: function () { return printing; },
    watch: function (changed) { asked.addEventListener("change", changed); },
    // What would sink into a dark ground gets a light casing there.
    sinks: function (colour) {
      var parts = [1, 3, 5].map(function (at) { return parseInt(colour.substr(at, 2), 16); });
      return 0.3 * parts[0] + 0.6 * parts[1] + 0.1 * parts[2] < 50;
    }
  };
})(sleeveplan);
