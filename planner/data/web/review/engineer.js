"use strict";
// The list and the opened row: what others change is marked, and never put under a hand at work.
(function () {
  var EVERY_MS = 2000, desk, form, version, drafts = {}, mine = {}, waiting = {}, looked = {}, quiet = false, asking = false, again = false;

  function by(id) { return document.getElementById(id); }
  function rowOf(span) { return by("row-" + span); }
  function opened() { return document.querySelector("#detail article.opened"); }
  function query() { return new URLSearchParams(new FormData(form)); }

  // ---- counts beside the limits: texts alone change, no control is ever drawn anew
  function showCounts(spans, pipes, counts) {
    document.querySelector("[data-sum=spans]").textContent = spans;
    document.querySelector("[data-sum=pipes]").textContent = pipes;
    form.querySelectorAll("[data-count]").forEach(function (node) {
      var at = node.dataset.count.indexOf("="), key = node.dataset.count.slice(0, at);
      var found = (counts[key] || {})[node.dataset.count.slice(at + 1)] || 0;
      node.textContent = node.tagName === "OPTION" ? node.dataset.word + " (" + found + ")" : found;
    });
  }

  function listed() {
    var body = by("rows");
    showCounts(body.dataset.spans, body.dataset.pipes, JSON.parse(body.dataset.counts));
    waiting = {};
    markOpen();
    var asked = query(), kept = new URLSearchParams();
    asked.forEach(function (value, key) { if (value && !(key === "sort" && value === "pipe")) { kept.append(key, value); } });
    history.replaceState(null, "", "/engineer" + (kept.size ? "?" + kept : ""));
  }

  function sift() { form.dispatchEvent(new Event("input", { bubbles: true })); }

  function onlyPipe(pipe) {
    by("sift-pipe").value = pipe;
    by("only-pipe").textContent = pipe;
    by("only").hidden = !pipe;
    sift();
  }

  // ---- the opened row
  function markOpen() {
    var shown = opened(), span = shown && shown.dataset.span;
    document.querySelectorAll(".span-row.is-open").forEach(function (row) { row.classList.remove("is-open"); });
    if (span && rowOf(span)) { rowOf(span).classList.add("is-open"); }
  }

  function keepDraft() {
    var decide = by("decide");
    if (!decide) { return; }
    drafts[decide.dataset.span] = { reason: by("reason").value, value: by("span-value").value, word: by("span-decision").value };
  }

  function showDraft() {
    var decide = by("decide"), kept = decide && drafts[decide.dataset.span];
    if (!kept) { return; }
    if (!by("reason").value) { by("reason").value = kept.reason; }
    if (!by("span-value").value) { by("span-value").value = kept.value; }
    if (kept.word && [].some.call(by("span-decision").options, function (one) { return one.value === kept.word; })) {
      by("span-decision").value = kept.word;
    }
  }

  function openedAnew(moves) {
    markOpen();
    showDraft();
    var shown = opened();
    if (!shown) { return; }
    var at = shown.dataset;
    looked[at.span] = true;
    if (moves && window.reviewMap) { reviewMap.show(at.pipe, +at.from, +at.to, +at.length); }
    if (moves) {
      by("detail").scrollTop = 0;
      by("opened-title").focus({ preventScroll: window.innerWidth >= 900 });
    }
  }

  function open(span) { return htmx.ajax("GET", "/engineer/span/" + encodeURIComponent(span), "#detail"); }

  // ---- what changed since: rows are put in place, unless a hand is on them
  function ask() {
    if (asking) { again = true; return; }
    asking = true;
    again = false;
    var asked = query();
    asked.set("since", version);
    fetch("/engineer/changes?" + asked, { headers: { "HX-Request": "true" } }).then(function (answer) {
      if (answer.status === 401) { window.location.href = "/login"; }
      return answer.ok ? answer.json() : null;
    }).then(function (told) { if (told) { takeIn(told); } }, function () { /* the frame says so */ })
      .then(function () { asking = false; if (again) { ask(); } });
  }

  function takeIn(told) {
    version = told.version;
    if (told.anew) { readAnew(); return; }
    var pipes = Object.keys(told.pipes);
    if (!pipes.length) { return; }
    showCounts(told.spans, told.of, told.counts);
    var holder = document.createElement("template");
    holder.innerHTML = told.rows;
    holder.content.querySelectorAll("tr.span-row").forEach(function (fresh) {
      putRow(fresh, told.pipes[fresh.dataset.pipe]);
    });
    pipes.forEach(function (pipe) {
      if (window.reviewMap) { reviewMap.restyle(pipe, told.pipes[pipe].look); }
      markDetail(pipe, told.pipes[pipe]);
    });
  }

  // What a person decided here is told by the answer itself, and by a question then under way.
  function isMine(pipe, seen) { return mine[pipe] >= seen; }

  function ownCame(pipe) {
    Object.keys(waiting).forEach(function (span) {
      var fresh = waiting[span], row = rowOf(span);
      if (row && fresh.dataset.pipe === pipe && isMine(pipe, fresh.seen)) { replace(row, fresh); }
    });
  }

  function putRow(fresh, told) {
    var row = rowOf(fresh.dataset.span), shown = opened();
    if (!shown || shown.dataset.span !== fresh.dataset.span) { delete looked[fresh.dataset.span]; }
    if (!row) { return; }
    var held = row.contains(document.activeElement) || (shown && shown.dataset.span === fresh.dataset.span);
    if (held && !isMine(fresh.dataset.pipe, told.seen)) {
      waiting[fresh.dataset.span] = fresh;
      fresh.seen = told.seen;
      mark(row.querySelector(".c-choice"), told.by);
      return;
    }
    replace(row, fresh);
  }

  function replace(row, fresh) {
    var name = row.contains(document.activeElement) && document.activeElement.className;
    delete waiting[fresh.dataset.span];
    row.replaceWith(fresh);
    htmx.process(fresh);
    markOpen();
    if (name) { (fresh.getElementsByClassName(name)[0] || fresh.querySelector(".open")).focus({ preventScroll: true }); }
  }

  function mark(cell, who) {
    var note = cell.querySelector(".changed-by");
    if (!note) { note = document.createElement("span"); note.className = "changed-by"; cell.appendChild(note); }
    note.textContent = "changed by " + (who || "another reading");
  }

  function markDetail(pipe, told) {
    var shown = opened(), box = by("changed-by");
    if (!shown || shown.dataset.pipe !== pipe || isMine(pipe, told.seen)) { return; }
    var decide = by("decide");
    if (decide && +decide.elements.seen.value >= told.seen) { return; }
    var note = document.createElement("p"), button = document.createElement("button");
    note.className = "said said-warn";
    note.textContent = "This pipe was changed by " + (told.by || "another reading") + " while you had it open. ";
    button.type = "button";
    button.className = "plain";
    button.textContent = "Show it as it is now";
    button.addEventListener("click", function () { open(shown.dataset.span); });
    note.appendChild(button);
    box.replaceChildren(note);
  }

  // A row that waited is put in place once the hand has left it.
  function settle() {
    var shown = opened();
    Object.keys(waiting).forEach(function (span) {
      var row = rowOf(span);
      if (!row) { delete waiting[span]; return; }
      if (row.contains(document.activeElement) || (shown && shown.dataset.span === span)) { return; }
      replace(row, waiting[span]);
    });
  }

  function readAnew() {
    if (window.reviewMap) { reviewMap.load(); }
    sift();
    var box = by("changed-by");
    if (box) {
      var note = document.createElement("p");
      note.className = "said said-warn";
      note.textContent = "The project was read anew while you had this row open: open it again.";
      box.replaceChildren(note);
    }
  }

  // ---- keys
  function step(by_) {
    var rows = [].slice.call(document.querySelectorAll("#rows .span-row")), at_ = document.activeElement, now = at_ && at_.closest(".span-row");
    if (!rows.length) { return; }
    var at = now ? rows.indexOf(now) : rows.findIndex(function (row) { return row.classList.contains("is-open"); });
    var next = rows[Math.min(Math.max(at + by_, 0), rows.length - 1)];
    next.querySelector(".open").focus();
    if (at + by_ >= rows.length - 2) { var more = document.querySelector("#rows .more"); if (more) { more.scrollIntoView({ block: "nearest" }); } }
  }

  function key(event) {
    var at = event.target;
    if (at.id === "sift-text" && event.key === "ArrowDown") { step(1); event.preventDefault(); return; }
    if (event.ctrlKey || event.metaKey || event.altKey || at.closest("input, select, textarea, .map")) { return; }
    var focus = { a: "do-accept", r: "do-refuse", h: "do-hold", "/": "sift-text" }[event.key];
    if (event.key === "j" || event.key === "ArrowDown") { if (event.key !== "j" && at.closest(".detail, .strip")) { return; } step(1); }
    else if (event.key === "k" || event.key === "ArrowUp") { if (event.key !== "k" && at.closest(".detail, .strip")) { return; } step(-1); }
    else if (focus && by(focus)) { by(focus).focus(); if (focus !== "sift-text") { by(focus).scrollIntoView({ block: "nearest" }); } }
    else { return; }
    event.preventDefault();
  }

  document.addEventListener("DOMContentLoaded", function () {
    desk = by("engineer");
    if (!desk) { return; }
    form = by("sift");
    version = +desk.dataset.version;
    form.addEventListener("submit", function (event) { event.preventDefault(); });
    by("only-clear").addEventListener("click", function () { onlyPipe(""); });
    by("sift-clear").addEventListener("click", function () {
      form.querySelectorAll("input[type=checkbox]").forEach(function (box) { box.checked = false; });
      form.querySelectorAll("select").forEach(function (box) { box.selectedIndex = 0; });
      by("sift-text").value = "";
      onlyPipe("");
    });
    by("rows").parentNode.addEventListener("click", function (event) {
      var row = event.target.closest(".span-row");
      if (row && !event.target.closest("button, a")) { row.querySelector(".open").click(); }
    });
    document.addEventListener("keydown", key);
    document.addEventListener("focusout", function () { setTimeout(settle, 0); });
    by("detail").addEventListener("input", keepDraft);
    by("detail").addEventListener("click", function (event) {
      if (event.target.id === "show-anew") { open(event.target.dataset.span); }
    });
    document.addEventListener("engineer-decided", function (event) {
      mine[event.detail.pipe] = event.detail.version;
      ownCame(event.detail.pipe);
      var shown = opened();
      // Accepted from the list while it is open: what is open is then shown as it stands now.
      if (!event.detail.by_form && shown && shown.dataset.pipe === event.detail.pipe) {
        quiet = true;
        open(shown.dataset.span);
      }
      if (event.detail.by_form) { delete drafts[event.detail.span]; }
      ask();
    });
    document.addEventListener("htmx:afterSwap", function (event) {
      if (event.target.id === "rows" || event.detail.target.id === "rows") { listed(); }
      if (event.detail.target.id === "detail") {
        openedAnew(event.detail.requestConfig.verb === "get" && !quiet);
        quiet = false;
        settle();
      }
    });
    // Whoever opened the row, and accepts it from the list then, has seen what is behind it.
    document.addEventListener("htmx:configRequest", function (event) {
      var sent = event.detail.parameters;
      if (sent.from === "list" && looked[sent.row]) { sent.opened = "yes"; }
    });
    document.addEventListener("pipe-chosen", function (event) {
      onlyPipe(event.detail);
      document.addEventListener("htmx:afterSettle", function first(done) {
        if (done.detail.target.id !== "rows") { return; }
        document.removeEventListener("htmx:afterSettle", first);
        var row = document.querySelector("#rows .span-row");
        if (row) { row.querySelector(".open").click(); }
      });
    });
    setInterval(function () { if (!document.hidden) { ask(); } }, EVERY_MS);
  });
}());
