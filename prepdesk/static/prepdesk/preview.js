// Tells the truth about a live part: while a new answer is on its way the old one is marked as old, an
// answer that comes late never replaces a newer one, and a server that does not answer is said to be so.
//
//   <section data-preview>
//     <p data-preview-note role="status"></p>
//     <div id="preview">…</div>
//   </section>
//   <form hx-post="…" hx-trigger="input delay:300ms, change" hx-target="#preview" hx-sync="this:replace">
"use strict";

(function () {
  const WORDS = {
    waiting: "Working it out again; below is the answer to what you typed before.",
    dead: "Not updated: the server did not answer. Below is the answer to what you typed before; you can go on and send the form.",
    signedOut: "Not updated: you were signed out. Sign in again in another tab; what you typed stays here.",
  };
  const latest = new WeakMap();
  const requests = new WeakMap();
  let count = 0;

  function regionOf(event) {
    const target = event.detail.target;
    return target instanceof Element ? target.closest("[data-preview]") : null;
  }

  function say(region, words, old) {
    const note = region.querySelector("[data-preview-note]");
    if (note) {
      note.textContent = words;
    }
    region.classList.toggle("preview-old", old);
    region.setAttribute("aria-busy", words === WORDS.waiting ? "true" : "false");
  }

  function isNewest(event, region) {
    return requests.get(event.detail.xhr) === latest.get(region);
  }

  document.addEventListener("htmx:beforeRequest", function (event) {
    const region = regionOf(event);
    if (region) {
      count += 1;
      requests.set(event.detail.xhr, count);
      latest.set(region, count);
      say(region, WORDS.waiting, true);
    }
  });

  document.addEventListener("htmx:beforeSwap", function (event) {
    const region = regionOf(event);
    const answered = event.detail.xhr.responseURL;
    const signedOut = answered && new URL(answered).pathname === document.body.dataset.signIn;
    if (signedOut) {
      event.detail.shouldSwap = false;
      if (region) {
        say(region, WORDS.signedOut, true);
      } else {
        window.location.reload(); // The page itself then asks to sign in and comes back here.
      }
      return;
    }
    if (region && !isNewest(event, region)) {
      event.detail.shouldSwap = false;
    }
  });

  document.addEventListener("htmx:afterSwap", function (event) {
    const region = regionOf(event);
    if (region && isNewest(event, region)) {
      say(region, "", false);
    }
  });

  for (const name of ["htmx:sendError", "htmx:timeout", "htmx:responseError"]) {
    document.addEventListener(name, function (event) {
      const region = regionOf(event);
      if (region && isNewest(event, region)) {
        say(region, WORDS.dead, true);
      }
    });
  }
})();
