// Moves the focus to what a person must read first: the error summary of a page or of a swapped part.
"use strict";

(function () {
  function lead(root) {
    const target = root.querySelector("[data-focus]");
    if (target) {
      target.focus();
      if (target instanceof HTMLInputElement) {
        target.select(); // What is typed next replaces what was refused.
      }
    }
  }

  document.addEventListener("DOMContentLoaded", function () {
    lead(document);
  });
  // A part that answers 422 brings its own summary; a good answer leaves the focus where it is.
  document.addEventListener("htmx:afterSettle", function (event) {
    if (event.detail.elt instanceof Element) {
      lead(event.detail.elt);
    }
  });
  // A link of the summary goes to the field itself, so that typing can start at once.
  document.addEventListener("click", function (event) {
    const link = event.target.closest ? event.target.closest(".error-summary a[href^='#']") : null;
    if (!link) {
      return;
    }
    const id = link.getAttribute("href").slice(1);
    const field = document.querySelector("[data-combobox-for='" + CSS.escape(id) + "']") || document.getElementById(id);
    if (field) {
      event.preventDefault();
      field.focus();
      field.scrollIntoView({ block: "center" });
    }
  });
})();
