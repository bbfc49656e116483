// Moves the focus to what a person must read first: the error summary of a page or of a swapped part;
// and lets the keyboard reach what scrolls sideways.
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
  // A table that is wider than its box is scrolled by keyboard too; one that fits is no stop on the way.
  function markScrollers() {
    for (const box of document.querySelectorAll(".table-box")) {
      if (box.scrollWidth > box.clientWidth) {
        const caption = box.querySelector("caption");
        box.tabIndex = 0;
        box.setAttribute("role", "group");
        box.setAttribute("aria-label", caption ? caption.textContent.trim() : "Table");
      } else {
        box.removeAttribute("tabindex");
        box.removeAttribute("role");
        box.removeAttribute("aria-label");
      }
    }
  }
  document.addEventListener("DOMContentLoaded", markScrollers);
  document.addEventListener("htmx:afterSettle", markScrollers);
  window.addEventListener("resize", markScrollers);

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
