// A bottle that is scanned while the connection is lost is judged here, by what its step knows of the right one:
// that one code is accepted, and nothing else. Which bottle another code belongs to only the server can say.
// Every scan, right or wrong, is kept in the outbox and sent in its turn, so before the reading it was made for.
// The newest scan of a bottle counts, as at the server; one of a shelf, or a garbled one, changes nothing.
// The attributes stand in _step_scan.html.
"use strict";

window.prepdeskKeptScan = (function () {
  const outbox = window.prepdeskOutbox;
  const codes = window.prepdeskLabelCode;
  const PATIENCE_MS = 4000;
  const SHOWN_AT_MOST = 24;
  // Which bottle was shown to which step from this page: { number, lot }.
  const shownHere = [];
  const judgedHere = new WeakSet();

  function theStep() {
    return document.querySelector("[data-bench-step]");
  }

  function partOf(step) {
    return step ? step.querySelector("[data-scan-part]") : null;
  }

  function recordForm(step) {
    return step.querySelector("form[data-outbox]");
  }

  function keptAt(step) {
    const form = recordForm(step);
    return form ? outbox.pendingScans(form.dataset.batch, Number(form.dataset.number)) : [];
  }

  // Keys must be had without a secure connection too, where randomUUID is not.
  function freshKey() {
    return Array.from(window.crypto.getRandomValues(new Uint8Array(16)), function (byte) {
      return byte.toString(16).padStart(2, "0");
    }).join("");
  }

  function today() {
    const now = new Date();
    return [now.getFullYear(), String(now.getMonth() + 1).padStart(2, "0"), String(now.getDate()).padStart(2, "0")].join("-");
  }

  function inWords(day) {
    return new Date(day + "T12:00:00").toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" });
  }

  // --- what a code is --------------------------------------------------------------------------
  // A verdict is { kind, text, isBottle }.
  function judge(part, scanned) {
    const code = codes.tidied(scanned);
    const right = part.dataset.rightLot;
    const until = part.dataset.rightUntil;
    const trimmed = scanned.trim();
    const shown = trimmed.length > SHOWN_AT_MOST ? trimmed.slice(0, SHOWN_AT_MOST - 1) + "…" : trimmed;
    if (code === right) {
      if (part.dataset.rightGood !== "yes") {
        return { kind: "stopped", text: part.dataset.rightWhy, isBottle: true };
      }
      if (until && today() > until) {
        return { kind: "expired", text: right + " expired on " + inWords(until) + ". Do not open it; ask the manager, or have it planned again without it.", isBottle: true };
      }
      return { kind: "right", text: right + "; told to the server when the connection is back.", isBottle: true };
    }
    if (codes.isSound(code)) {
      const text = "That is not " + right + " but " + code + "; which bottle it is can only be said with the connection. Do not open it. Fetch " + right + ".";
      return { kind: "unknown", text: text, isBottle: codes.isOfBottle(code) };
    }
    const garbled = codes.whyGarbled(scanned);
    if (garbled) {
      return { kind: "garbled", text: "“" + shown + "” was not read rightly. " + garbled + " Expected is " + right + ".", isBottle: false };
    }
    return { kind: "unknown", text: "“" + shown + "” is no code of ours. Scan our own label, " + right + ".", isBottle: false };
  }

  // --- how it is shown -------------------------------------------------------------------------
  // As the server lays it out: folded away where no bottle must be shown any more.
  function layOut(part, said) {
    const form = part.querySelector("[data-scan-form]");
    const field = form.querySelector("[data-scan]");
    const isDone = part.dataset.scanState === "done";
    const isFolded = isDone || part.dataset.scanRequired !== "yes";
    const head = document.createElement(isFolded ? "summary" : "h2");
    head.textContent = isDone ? "Scan a bottle again" : part.dataset.scanAsk.trim();
    field.toggleAttribute("data-focus", !isFolded);
    field.removeAttribute("aria-invalid");
    if (isFolded) {
      const fold = document.createElement("details");
      fold.className = "bench-scan-again";
      fold.append(head, form);
      part.replaceChildren.apply(part, said.concat([fold]));
    } else {
      head.className = "bench-scan-ask";
      part.replaceChildren.apply(part, said.concat([head, form]));
    }
  }

  function show(part, verdict) {
    const mark = part.closest("[data-scan-box]").querySelector("template[data-scan-mark='" + verdict.kind + "']");
    const said = mark.content.cloneNode(true).firstElementChild;
    let text = verdict.text;
    if (verdict.isBottle) {
      part.dataset.scanState = verdict.kind === "right" ? "done" : "refused";
      part.dataset.scanRequired = verdict.kind === "right" ? "no" : "yes";
    } else if (part.dataset.scanState === "refused") {
      text += " The bottle shown before was wrong, so nothing is recorded before " + part.dataset.rightLot + " is shown.";
    }
    said.querySelector(".bench-scan-words").textContent = text;
    layOut(part, [said]);
    judgedHere.add(part);
  }

  function focusAfter(part, isRight) {
    const step = part.closest("[data-bench-step]");
    const next = isRight ? step.querySelector("#step-form [name='reading']") || step.querySelector("#step-form button") : part.querySelector("[data-scan]");
    if (next) {
      next.focus();
    }
  }

  function announce(isRight) {
    document.dispatchEvent(new CustomEvent("prepdesk:scanned", { detail: isRight ? "right" : "refused" }));
  }

  // Once its bottle is shown, what was said of the reading before no longer holds.
  function withdrawRefusal(step) {
    const refusal = recordForm(step).querySelector("[data-bench-error]");
    const field = recordForm(step).elements.reading;
    refusal.textContent = "";
    refusal.hidden = true;
    if (field) {
      field.removeAttribute("aria-invalid");
    }
  }

  function news(text) {
    const place = document.querySelector("[data-scan-news]");
    place.textContent = text;
    place.dataset.kind = text ? "refused" : "";
  }

  // --- one scan --------------------------------------------------------------------------------
  // Whether it is kept and answered here.
  function keep(form, scanned, key) {
    const step = form.closest("[data-bench-step]");
    const part = partOf(step);
    const record = step ? recordForm(step) : null;
    if (!outbox.isReady() || !record || !part || !part.dataset.rightLot) {
      return false;
    }
    if (!scanned.trim()) {
      news("Scan the label of the bottle, or type its code.");
      return true;
    }
    const verdict = judge(part, scanned);
    const entry = outbox.add({
      kind: "scan",
      key: key,
      batch: record.dataset.batch,
      revision: Number(record.dataset.revision),
      step: Number(record.dataset.number),
      address: form.getAttribute("action"),
      scanned: scanned.trim(),
      lot: part.dataset.rightLot,
      verdict: verdict,
    });
    if (!entry) {
      return false;
    }
    form.elements.key.value = freshKey();
    form.querySelector("[data-scan]").value = "";
    news("");
    show(part, verdict);
    if (verdict.kind === "right") {
      withdrawRefusal(step);
    }
    focusAfter(part, verdict.kind === "right");
    announce(verdict.kind === "right");
    outbox.tell();
    outbox.flush();
    return true;
  }

  // Before htmx sends it: not while an earlier thing waits, which must arrive first.
  document.addEventListener(
    "submit",
    function (event) {
      const form = event.target;
      const record = form.matches("[data-scan-form]") ? recordForm(theStep()) : null;
      if (!record || !(outbox.isLost() || outbox.pending(record.dataset.batch).length)) {
        return;
      }
      if (keep(form, form.querySelector("[data-scan]").value, form.elements.key.value)) {
        event.preventDefault();
        event.stopImmediatePropagation();
      }
    },
    true
  );

  // The server did not answer. It may have heard all the same: with the same key it is one scan.
  function keepUnsent(form, detail) {
    const status = detail.xhr ? detail.xhr.status : 0;
    if (status > 0 && status < 500) {
      return false;
    }
    const sent = detail.requestConfig.parameters;
    return keep(form, String(sent.scan || ""), String(sent.key));
  }

  document.addEventListener("htmx:configRequest", function (event) {
    if (event.target instanceof Element && event.target.matches("[data-scan-form]")) {
      event.detail.timeout = PATIENCE_MS;
    }
  });

  // --- steps that follow -----------------------------------------------------------------------
  // Why a step can't be shown without the server.
  function whyItWaits(step) {
    const scan = step.querySelector("[data-scan-required='yes']");
    const waits = scan && scan.dataset.scanState !== "done" && !(scan.dataset.rightLot && outbox.isReady());
    return waits ? "Its bottle is scanned first, and that needs the connection." : "";
  }

  // What to scan before a step is recorded.
  function whichFirst(step) {
    const part = partOf(step);
    if (!part || part.dataset.scanRequired !== "yes" || part.dataset.scanState === "done") {
      return "";
    }
    return "Scan lot " + part.dataset.rightLot + " before it is opened, or type its code from the label; then record.";
  }

  function rememberShown() {
    const step = theStep();
    const part = partOf(step);
    if (part && part.dataset.scanState === "done") {
      shownHere.push({ number: Number(step.dataset.number), lot: part.dataset.rightLot });
    }
  }

  // A step that is shown next: its own scans, and a bottle that an earlier step was shown.
  function prepare(step) {
    const part = partOf(step);
    rememberShown();
    if (!part || !part.dataset.rightLot) {
      return;
    }
    const number = Number(step.dataset.number);
    const isShown = shownHere.some(function (one) {
      return one.lot === part.dataset.rightLot && one.number < number;
    });
    if (isShown && ["needed", "offered"].includes(part.dataset.scanState)) {
      part.dataset.scanState = "done";
      part.dataset.scanRequired = "no";
      layOut(part, []);
    }
    for (const entry of keptAt(step)) {
      show(part, entry.verdict);
    }
  }

  document.addEventListener("prepdesk:step", function (event) {
    window.htmx.process(event.detail); // It comes from a template, which htmx has not seen.
  });

  // --- the connection is back, or the page was opened anew without it ----------------------------
  function replace(part, answer) {
    const made = new DOMParser().parseFromString(answer.part, "text/html").querySelector("[data-scan-part]");
    const isDone = made.dataset.scanState === "done";
    const differs = isDone !== (part.dataset.scanState === "done");
    const hadFocus = part.contains(document.activeElement);
    made.querySelector("[data-scan]").value = part.querySelector("[data-scan]").value;
    made.removeAttribute("data-scan-fresh");
    part.replaceWith(made);
    window.htmx.process(made);
    if (differs) {
      announce(isDone);
    }
    if (differs || hadFocus) {
      focusAfter(made, isDone);
    }
  }

  outbox.afterRound(function (booked) {
    const step = theStep();
    const part = partOf(step);
    const record = step ? recordForm(step) : null;
    if (!part || !record) {
      return;
    }
    const answered = booked.filter(function (one) {
      return one.entry.kind === "scan" && one.entry.batch === record.dataset.batch && String(one.entry.step) === record.dataset.number;
    });
    const waiting = keptAt(step);
    if (answered.length && !waiting.length) {
      replace(part, answered[answered.length - 1].answer);
    } else if (waiting.length && outbox.isLost() && !judgedHere.has(part)) {
      for (const entry of waiting) {
        show(part, entry.verdict);
      }
    }
  });

  return { keepUnsent: keepUnsent, whyItWaits: whyItWaits, whichFirst: whichFirst, prepare: prepare };
})();
