// Offers to print where a browser can; without this script the browser's own command serves.
"use strict";

document.addEventListener("DOMContentLoaded", function () {
  const place = document.querySelector("[data-print-here]");
  if (place) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = place.dataset.printHere || "Print the sheet";
    button.addEventListener("click", function () {
      window.print();
    });
    place.replaceWith(button);
  }
});
