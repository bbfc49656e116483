// The screen on the wall says when it looked last, and in words when it gets no answer any more.
"use strict";

(function () {
  function say(isLost) {
    const lost = document.getElementById("wall-lost");
    const clock = document.getElementById("wall-clock");
    if (lost && clock) {
      const words = isLost ? lost.dataset.words.replace("{}", clock.textContent) : "";
      if (lost.textContent !== words) {
        lost.textContent = words; // Written once, so that it stands still and is read out once.
      }
    }
  }

  for (const failure of ["htmx:sendError", "htmx:timeout", "htmx:responseError"]) {
    document.addEventListener(failure, function () {
      say(true);
    });
  }

  document.addEventListener("htmx:afterRequest", function (event) {
    if (!event.detail.successful) {
      return;
    }
    // Without it the answer is the page to sign in, which is opened in full by then.
    const looked = event.detail.xhr.getResponseHeader("X-Looked-At");
    if (looked) {
      document.getElementById("wall-clock").textContent = looked;
      say(false);
    }
  });
})();
