// A reading survives a lost connection: a form marked data-resend is sent only when the server answers;
// until then it stays as it is, says so, and is sent by itself. Its key makes it one record.
"use strict";

(function () {
  const EVERY_MS = 4000;
  const PATIENCE_MS = 4000;
  const WORDS = "Not sent yet: no connection. The reading stays here and is sent by itself as soon as the server answers. Leave this page open.";
  const cleared = new WeakSet();
  const waiting = new Map();

  function answers() {
    const stop = new AbortController();
    const timer = window.setTimeout(function () {
      stop.abort();
    }, PATIENCE_MS);
    return fetch("/healthz", { cache: "no-store", signal: stop.signal }).then(
      function (answer) {
        window.clearTimeout(timer);
        return answer.ok;
      },
      function () {
        window.clearTimeout(timer);
        return false;
      }
    );
  }

  function attempt(form) {
    const submitter = waiting.get(form);
    return answers().then(function (up) {
      const note = form.querySelector("[data-resend-note]");
      if (!waiting.has(form)) {
        return;
      }
      if (!up) {
        note.textContent = WORDS;
        window.setTimeout(attempt, EVERY_MS, form);
        return;
      }
      note.textContent = "";
      waiting.delete(form);
      cleared.add(form);
      form.requestSubmit(submitter || undefined);
    });
  }

  // Before the guard against double sending, which then counts only what really goes out.
  document.addEventListener(
    "submit",
    function (event) {
      const form = event.target;
      if (!form.hasAttribute("data-resend") || cleared.has(form)) {
        return;
      }
      event.preventDefault();
      const known = waiting.has(form);
      waiting.set(form, event.submitter);
      if (!known) {
        attempt(form);
      }
    },
    true
  );

  window.addEventListener("pageshow", function () {
    for (const form of document.querySelectorAll("form[data-resend]")) {
      cleared.delete(form);
      waiting.delete(form);
    }
  });
})();
