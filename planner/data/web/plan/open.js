"use strict";
// Reads the page's own data, packed or not; and keeps what is shown right on paper.
(function (plan) {
  var PAPER_PX = [1040, 650];

  plan.open = function (map, block) {
    if (block.type === "application/json") { plan.show(map, JSON.parse(block.textContent)); return; }
    var note = plan.element("div", "plan-nothing", "unpacking ...");
    map.getContainer().appendChild(note);
    if (!window.DecompressionStream) {
      note.textContent = "This browser cannot unpack the map's data: open the file in a newer one.";
      return;
    }
    var text = atob(block.textContent), bytes = new Uint8Array(text.length);
    for (var i = 0; i < text.length; i++) { bytes[i] = text.charCodeAt(i); }
    var stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    new Response(stream).json().then(function (data) {
      map.getContainer().removeChild(note);
      block.textContent = "";
      plan.show(map, data);
    });
  };

  // Paper is light, whatever the screen is, and has a width of its own.
  plan.printable = function (view) {
    var holder = view.map.getContainer(), bounds = null, retina = L.Browser.retina;
    function redraw() {
      view.map.invalidateSize({ animate: false, pan: false });
      view.map.fitBounds(bounds, { animate: false, maxZoom: view.map.getMaxZoom() });
      view.refresh();
    }
    window.addEventListener("beforeprint", function () {
      bounds = view.map.getBounds();
      plan.theme.print(true);
      L.Browser.retina = true;
      holder.style.setProperty("width", PAPER_PX[0] + "px", "important");
      holder.style.setProperty("height", PAPER_PX[1] + "px", "important");
      document.documentElement.classList.add("plan-paper");
      redraw();
    });
    window.addEventListener("afterprint", function () {
      plan.theme.print(false);
      L.Browser.retina = retina;
      holder.style.removeProperty("width");
      holder.style.removeProperty("height");
      document.documentElement.classList.remove("plan-paper");
      redraw();
    });
  };
})(sleeveplan);
