// Large digits for wet gloves, shown when somebody asks for them: each key types into the reading, where the
// cursor stands. While they are shown, the device's own keyboard stays away. The comma is read as well, but
// the figures above are written with a point, and so is what these keys type.
//
//   <button data-digits aria-controls="digits" hidden>   <div id="digits" hidden> <button data-digit="7">
"use strict";

(function () {
  function offer() {
    for (const button of document.querySelectorAll("[data-digits]")) {
      button.hidden = false;
    }
  }

  function type(field, digit) {
    const start = field.selectionStart;
    const end = field.selectionEnd;
    if (digit !== "back") {
      field.setRangeText(digit, start, end, "end");
    } else if (start !== end) {
      field.setRangeText("", start, end, "end");
    } else if (start > 0) {
      field.setRangeText("", start - 1, start, "end");
    }
    field.dispatchEvent(new Event("input", { bubbles: true }));
  }

  document.addEventListener("click", function (event) {
    const opener = event.target.closest ? event.target.closest("[data-digits]") : null;
    const key = event.target.closest ? event.target.closest("[data-digit]") : null;
    const form = (opener || key || {}).form;
    const field = form ? form.elements.reading : null;
    if (!field) {
      return;
    }
    if (opener) {
      const keys = form.querySelector(".bench-digits");
      keys.hidden = !keys.hidden;
      opener.setAttribute("aria-expanded", String(!keys.hidden));
      field.inputMode = keys.hidden ? "decimal" : "none";
      form.classList.toggle("bench-with-digits", !keys.hidden);
    } else {
      type(field, key.dataset.digit);
    }
  });

  document.addEventListener("DOMContentLoaded", offer);
  document.addEventListener("prepdesk:step", offer);
})();
