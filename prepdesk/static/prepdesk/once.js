// Sends a form once, however often its button is pressed. The button stays a button: nothing is disabled,
// and a page that comes back from the browser's memory can be sent again. The server has its own guard.
"use strict";

(function () {
  const PATIENCE_MS = 8000;
  const sentAt = new WeakMap();

  document.addEventListener("submit", function (event) {
    const form = event.target;
    if (event.defaultPrevented || form.method.toLowerCase() !== "post") {
      return; // Not going out, or looked after by htmx.
    }
    const before = sentAt.get(form);
    if (before !== undefined && performance.now() - before < PATIENCE_MS) {
      event.preventDefault();
      return;
    }
    sentAt.set(form, performance.now());
    form.setAttribute("aria-busy", "true");
    window.setTimeout(function () {
      form.removeAttribute("aria-busy");
    }, PATIENCE_MS);
  });

  window.addEventListener("pageshow", function () {
    for (const form of document.forms) {
      sentAt.delete(form);
      form.removeAttribute("aria-busy");
    }
  });
})();
