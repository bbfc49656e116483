// At a step of the bench: what a scanner sends goes to the bottle, what a balance sends goes to the reading,
// wherever the focus is, and neither ever becomes the other. What it is told apart by:
//
//   a number FOLLOWED BY the unit of the step ("58.44 g", "+   58.44 g")  is a reading; it is shown in the
//     field, and a person presses the button
//   a number without a unit, or with another one                          is refused with words
//   anything else                                                         is shown to the step as a bottle
//
// While a person types a reading nothing is scanned: it is refused with words and what was typed stays.
// Burst.js tells devices from hands; the attributes stand in _step_scan.html.
"use strict";

(function () {
  const SAME_CODE_MS = 2000;
  const LAST = "prepdesk-last-scan";
  const NUMBER = /^\s*([+\-\u2212]?)\s*(\d+(?:[.,]\d*)?|[.,]\d+)\s*([a-z\u00b5%]*)\s*$/i;
  // Numbers of articles are longer than any reading.
  const ARTICLE = /^\d{8,}$/;

  let known = "";

  function reading() {
    return document.querySelector("#step-form [name='reading']");
  }

  function tell(text, kind) {
    const news = document.querySelector("[data-scan-news]");
    if (news) {
      news.textContent = text;
      news.dataset.kind = kind || "";
    }
    if (kind) {
      document.dispatchEvent(new CustomEvent("prepdesk:scanned", { detail: kind }));
    }
  }

  // Typed by a hand and not yet sent; what the server or a balance put there is not.
  function isBeingTyped(field) {
    return field !== null && field.value.trim() !== "" && field.value !== known;
  }

  function sameAgain(code) {
    try {
      const here = window.location.pathname + " " + code;
      const [last, at] = JSON.parse(window.sessionStorage.getItem(LAST) || '["",0]');
      window.sessionStorage.setItem(LAST, JSON.stringify([here, Date.now()]));
      return last === here && Date.now() - at < SAME_CODE_MS;
    } catch (error) {
      return false; // Without storage it is scanned twice, which changes nothing.
    }
  }

  function bottle(code, target) {
    const form = document.querySelector("[data-scan-form]");
    if (!form) {
      tell("“" + code + "” was scanned, but this step takes from no bottle. Nothing was entered.", "refused");
      return;
    }
    const field = reading();
    if (field !== null && target === field && isBeingTyped(field)) {
      tell("“" + code + "” was scanned while a reading is being typed. Nothing was scanned, and what you typed stands. Record it or clear it, then scan again.", "refused");
      return;
    }
    if (sameAgain(code)) {
      return;
    }
    tell("");
    form.querySelector("[data-scan]").value = code;
    form.requestSubmit();
  }

  function balance(sent, sign, number, unit, isWhole) {
    const field = reading();
    const wanted = document.querySelector("[data-scan-box]").dataset.readingUnit;
    let why = "";
    if (field === null) {
      why = "this step takes no reading.";
    } else if (unit === "") {
      why = "without a unit it may be anything. Type the reading, or set the balance to send its unit.";
    } else if (unit.toLowerCase() !== wanted.toLowerCase()) {
      why = "this step is read in " + wanted + ". Switch the unit of the balance, or type the reading.";
    } else if (sign !== "" && sign !== "+") {
      why = "a reading is more than nothing. Tare the balance and weigh again.";
    } else if (isBeingTyped(field)) {
      why = "a reading is being typed, and it stands. Record it or clear it, then send again.";
    }
    if (!why && !isWhole) {
      why = "other keys came just before it, so it may be a part of something. Send it again.";
    }
    if (why) {
      tell("“" + sent + "” came from a device and was not entered: " + why, "refused");
      return;
    }
    known = number;
    field.value = number;
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.focus();
    tell(number + " " + wanted + " came from the balance. Nothing is recorded yet: compare it, then press the button.", "right");
  }

  document.addEventListener("prepdesk:burst", function (event) {
    event.preventDefault();
    event.detail.takeOut();
    const sent = event.detail.text.trim();
    const found = NUMBER.exec(sent);
    if (found && !ARTICLE.test(sent)) {
      balance(sent, found[1], found[2], found[3], event.detail.whole);
    } else if (sent) {
      bottle(sent, event.detail.target);
    }
  });

  function remember() {
    const field = reading();
    known = field === null ? "" : field.value;
  }
  document.addEventListener("DOMContentLoaded", remember);
  // The next step, shown without asking the server.
  document.addEventListener("prepdesk:step", remember);
  // What was kept of an earlier look at this page is put back by a script, not by a hand.
  document.addEventListener("change", function (event) {
    if (!event.isTrusted && event.target instanceof HTMLFormElement && event.target.id === "step-form") {
      remember();
    }
  });

  document.addEventListener("htmx:afterSettle", function () {
    const part = document.querySelector("[data-scan-part][data-scan-fresh]");
    if (!part) {
      return;
    }
    part.removeAttribute("data-scan-fresh");
    const right = part.dataset.scanState === "done";
    document.dispatchEvent(new CustomEvent("prepdesk:scanned", { detail: right ? "right" : "refused" }));
    const next = right ? reading() || document.querySelector("#step-form button") : part.querySelector("[data-scan]");
    if (next) {
      next.focus();
    }
  });

  function unsent(event) {
    const isOurs = event.target instanceof Element && event.target.matches("[data-scan-form]");
    if (isOurs && !window.prepdeskKeptScan.keepUnsent(event.target, event.detail)) {
      tell("The bottle was not checked: the server did not answer. Scan it again.", "refused");
    }
  }
  document.addEventListener("htmx:sendError", unsent);
  document.addEventListener("htmx:timeout", unsent);
  document.addEventListener("htmx:responseError", unsent);
})();
