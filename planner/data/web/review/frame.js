"use strict";
// What all desks share: a word when the server does not answer or refuses, said where it is seen.
(function () {
  var page = (window.review = {});

  page.say = function (text, kind) {
    var box = document.getElementById("said"), line = document.createElement("p");
    line.className = "said said-" + (kind || "bad");
    line.textContent = text;
    box.replaceChildren(line);
    clearTimeout(page.clears);
    page.clears = setTimeout(function () { box.replaceChildren(); }, 8000);
  };

  document.addEventListener("htmx:sendError", function () {
    page.say("The server does not answer. Nothing was saved; try again once it runs.");
  });
  document.addEventListener("htmx:responseError", function (event) {
    var answer = event.detail.xhr;
    if (answer.status === 401) { window.location.href = "/login"; return; }
    var plain = (answer.getResponseHeader("Content-Type") || "").indexOf("text/plain") === 0;
    page.say(plain && answer.responseText.length < 400 ? answer.responseText : "Refused (" + answer.status + ").");
  });
  document.addEventListener("htmx:timeout", function () { page.say("No answer in time. Look at the log before you try again."); });
}());
