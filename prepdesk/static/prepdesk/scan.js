// What a scanner types goes into the scan field wherever the focus is, and never becomes an amount: a burst
// in an amount field is taken out of it again, with words. The same code twice within two seconds counts
// once. Without this script the server refuses a code where an amount is typed. Burst.js tells scanners
// from hands.
//
//   <form data-scan-form> <input data-scan>   <input data-amount="L000177">   <p data-scan-news>
"use strict";

(function () {
  const SHORTEST_CODE = 6;
  const SAME_CODE_MS = 2000;
  const LAST = "prepdesk-last-scan";

  function tell(text) {
    const news = document.querySelector("[data-scan-news]");
    if (news) {
      news.textContent = text;
    }
  }

  function sameAgain(code) {
    try {
      const [last, at] = JSON.parse(window.sessionStorage.getItem(LAST) || '["",0]');
      window.sessionStorage.setItem(LAST, JSON.stringify([code, Date.now()]));
      return last === code && Date.now() - at < SAME_CODE_MS;
    } catch (error) {
      return false; // Without storage the server sees the same lot twice, which changes nothing.
    }
  }

  document.addEventListener("prepdesk:burst", function (event) {
    const { text: code, target, ended, takeOut } = event.detail;
    const form = document.querySelector("[data-scan-form]");
    const field = form ? form.querySelector("[data-scan]") : null;
    // Figures without an end may be an amount typed down the list.
    if (!field || !ended || code.length < SHORTEST_CODE) {
      return;
    }
    event.preventDefault();
    takeOut();
    const amount = target instanceof HTMLInputElement && target.dataset.amount ? target : null;
    if (sameAgain(code)) {
      return;
    }
    if (amount && document.querySelector("[data-count-one]")) {
      tell(code + " was scanned while the amount of " + amount.dataset.amount + " is awaited. Type that amount first; nothing was counted.");
      amount.focus();
      return;
    }
    field.value = code;
    form.requestSubmit();
  });

  // Down the list: Enter goes to the next amount, and from the last one to the button.
  document.addEventListener(
    "keydown",
    function (event) {
      if (event.key === "Enter" && event.target instanceof HTMLInputElement && event.target.hasAttribute("data-next")) {
        event.preventDefault();
        const all = Array.from(document.querySelectorAll("[data-next]"));
        const next = all[all.indexOf(event.target) + 1] || document.querySelector("button[form='typed-down']");
        next.focus();
      }
    },
    true
  );
})();
