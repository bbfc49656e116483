// A scanner types like a keyboard, only faster, and ends with Enter or Tab. What it types goes into the
// scan field wherever the focus is, and never becomes an amount: a burst in an amount field is taken out
// of it again, with words. The same code twice within two seconds counts once. Without this script the
// server refuses a code where an amount is typed.
//
//   <form data-scan-form> <input data-scan>   <input data-amount="L000177">   <p data-scan-news>
"use strict";

(function () {
  // No hand types six signs and more at twenty a second; a scanner that is held up for one sign still does.
  const FASTEST_TYPIST_MS = 50;
  const LONGEST_GAP_MS = 120;
  const SHORTEST_CODE = 6;
  const SAME_CODE_MS = 2000;
  const LAST = "prepdesk-last-scan";

  let burst = "";
  let firstKeyAt = 0;
  let lastKeyAt = 0;
  let before = "";
  let where = null;

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

  function scanned(code, target, event) {
    const form = document.querySelector("[data-scan-form]");
    const field = form ? form.querySelector("[data-scan]") : null;
    if (!field) {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
    const amount = target instanceof HTMLInputElement && target.dataset.amount ? target : null;
    if (amount) {
      amount.value = before;
    } else if (target instanceof HTMLInputElement && target !== field) {
      target.value = before;
    }
    if (sameAgain(code)) {
      if (target === field) {
        field.value = "";
      }
      return;
    }
    if (amount && document.querySelector("[data-count-one]")) {
      tell(code + " was scanned while the amount of " + amount.dataset.amount + " is awaited. Type that amount first; nothing was counted.");
      amount.focus();
      return;
    }
    field.value = code;
    form.requestSubmit();
  }

  document.addEventListener(
    "keydown",
    function (event) {
      if (event.ctrlKey || event.altKey || event.metaKey) {
        return;
      }
      const now = event.timeStamp;
      const goesOn = now - lastKeyAt < LONGEST_GAP_MS;
      const fast = burst.length >= SHORTEST_CODE && (now - firstKeyAt) / burst.length < FASTEST_TYPIST_MS;
      if ((event.key === "Enter" || event.key === "Tab") && goesOn && fast) {
        const code = burst;
        burst = "";
        scanned(code, where, event);
        return;
      }
      if (event.key.length === 1) {
        if (!goesOn || event.target !== where) {
          burst = "";
          firstKeyAt = now;
          where = event.target;
          before = where instanceof HTMLInputElement ? where.value : "";
        }
        burst += event.key;
        lastKeyAt = now;
      } else if (event.key !== "Shift") {
        burst = "";
      }
      // Down the list: Enter goes to the next amount, and from the last one to the button.
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
