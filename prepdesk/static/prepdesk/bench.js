// The step on the bench goes through the outbox: written down on this device, sent, and on to the next step.
// With the connection that is all. Without it the reading is judged here and the next step is shown from what
// the page carries, as the server would show it, unless its figure moves with a reading that is not sent.
//
//   <form data-outbox="address" data-batch data-revision data-number data-low data-high data-unit>
//   <template data-ahead data-number data-rests-on="3 5">   a step that follows
//   [data-waits="why"]                                      in a step: it can't go on without the connection
//   [data-scan-required="yes"][data-scan-state]             in a step: nor before its bottle is shown, which
//                                                           kept_scan.js judges where the step names its lot
"use strict";

(function () {
  const outbox = window.prepdeskOutbox;
  const exact = window.prepdeskExact;
  const bottles = window.prepdeskKeptScan;
  // A form that is sent the ordinary way, so that the server shows its own page of it.
  const ordinary = new WeakSet();
  // Steps that were recorded from this page: what it carries does not know of them.
  const takenHere = new Set();
  let busy = false;

  function theForm() {
    return document.querySelector("form[data-outbox]");
  }

  function batchHere() {
    const place = document.querySelector("[data-batch]");
    return place ? place.dataset.batch : "";
  }

  function say(form, text, field) {
    const place = form.querySelector("[data-bench-error]");
    place.textContent = text;
    place.hidden = !text;
    if (text && field) {
      field.setAttribute("aria-invalid", "true");
      field.focus();
      field.select();
    }
  }

  // Why a step can't be done without the server at all; empty where it can.
  function whyItWaits(step) {
    const waits = step.querySelector("[data-waits]");
    return waits ? waits.dataset.waits : bottles.whyItWaits(step);
  }

  // Where to go on from a refusal: what is scanned while the reading has the focus would be taken for a slip.
  function fieldFor(form, field) {
    const step = form.closest("[data-bench-step]");
    return bottles.whichFirst(step) ? step.querySelector("[data-scan]") : field;
  }

  // Why a reading can't be kept without the server; empty where it can.
  function whyNot(form, reading, keeps, reason) {
    const step = form.closest("[data-bench-step]");
    const waits = whyItWaits(step) || bottles.whichFirst(step);
    if (waits) {
      return waits;
    }
    if (!form.dataset.low) {
      return "";
    }
    const number = exact.read(reading);
    if (number.refusal) {
      return number.refusal;
    }
    const said = exact.outside(number, form.dataset.low, form.dataset.high, form.dataset.unit);
    if (!said || (keeps && reason)) {
      return "";
    }
    askReason(form);
    return said + " There is no connection: read again, give a reason below, or wait for the connection to see what would put this right.";
  }

  // The field for the reason, as the server shows it beside a reading outside its window.
  function askReason(form) {
    if (form.elements.reason) {
      return;
    }
    const box = document.createElement("div");
    const label = document.createElement("label");
    const field = document.createElement("input");
    const button = document.createElement("button");
    box.className = "bench-reason";
    Object.assign(label, { htmlFor: "id_reason", textContent: "Why this reading is kept" });
    Object.assign(field, { id: "id_reason", name: "reason", type: "text", maxLength: 300, autocomplete: "off" });
    Object.assign(button, { name: "keep", value: "1", className: "bench-button button-quiet", textContent: "Keep this reading with the reason" });
    box.append(label, field, button);
    form.append(box);
  }

  // --- the step that follows -----------------------------------------------------------------
  function show(content, title, address) {
    const old = document.querySelector("[data-bench-step]");
    old.replaceWith(content);
    document.title = title + " – Prepdesk";
    if (address) {
      window.history.replaceState(null, "", address);
    }
    const now = document.querySelector("[data-bench-step]");
    (now.querySelector("[data-focus]") || now.querySelector("h1")).focus();
    window.scrollTo(0, 0);
    document.dispatchEvent(new CustomEvent("prepdesk:step", { detail: now }));
  }

  function panel(title, text) {
    const made = document.createElement("div");
    made.className = "bench-step bench-waits";
    made.dataset.benchStep = "";
    made.dataset.batch = batchHere();
    const heading = document.createElement("h1");
    heading.tabIndex = -1;
    heading.textContent = title;
    const said = document.createElement("p");
    said.textContent = text;
    made.append(heading, said);
    show(made, title);
  }

  function showNext() {
    const waiting = outbox.pendingRecords(batchHere());
    const unsent = new Set(waiting.map(function (entry) {
      return String(entry.step);
    }));
    const next = Array.from(document.querySelectorAll("template[data-ahead]")).find(function (one) {
      return !unsent.has(one.dataset.number) && !takenHere.has(one.dataset.number);
    });
    if (!next) {
      panel("Closing waits for the connection", "What was done last is kept on this device. As soon as it is sent, the page to close the work is shown.");
      return;
    }
    const moving = next.dataset.restsOn.split(" ").filter(function (number) {
      return unsent.has(number) || takenHere.has(number);
    });
    const title = "Step " + next.dataset.number + " waits for the connection";
    if (moving.length) {
      panel(title, "Its figure moves with what was read at step " + moving.join(" and ") + ". As soon as that is sent, this step is shown with its figure.");
      return;
    }
    const step = next.content.cloneNode(true).querySelector("[data-bench-step]");
    const waits = whyItWaits(step);
    if (waits) {
      panel(title, waits);
      return;
    }
    bottles.prepare(step);
    show(step, step.dataset.title, step.querySelector("form[data-outbox]").getAttribute("action"));
  }

  // --- one reading ---------------------------------------------------------------------------
  function forget(form) {
    form.dispatchEvent(new CustomEvent("prepdesk:forget", { bubbles: true }));
  }

  function sendOrdinarily(form, submitter) {
    ordinary.add(form);
    form.requestSubmit(submitter && submitter.form === form ? submitter : undefined);
  }

  function goOn(form) {
    forget(form);
    takenHere.add(form.dataset.number);
    showNext();
    outbox.tell();
  }

  async function take(form, submitter) {
    const field = form.elements.reading;
    const keeps = Boolean(submitter && submitter.name === "keep");
    const reading = field ? field.value.trim() : "";
    const reason = keeps && form.elements.reason ? form.elements.reason.value.trim() : "";
    if (keeps && !reason) {
      say(form, "Type why this reading is kept, for example: the bottle ran out.", form.elements.reason);
      return;
    }
    const here = outbox.pendingRecords(form.dataset.batch).find(function (entry) {
      return entry.step === Number(form.dataset.number);
    });
    if (here) {
      say(form, "This step is kept on this device already and waits to be sent.", field); // By another page.
      return;
    }
    const wasLost = outbox.isLost();
    if (wasLost) {
      const why = whyNot(form, reading, keeps, reason);
      if (why) {
        say(form, why, fieldFor(form, field));
        outbox.flush();
        return;
      }
    }
    const entry = outbox.add({
      key: form.elements.key.value,
      batch: form.dataset.batch,
      revision: Number(form.dataset.revision),
      step: Number(form.dataset.number),
      version: Number(form.elements.version.value),
      address: form.dataset.outbox,
      reading: reading,
      unit: form.dataset.unit || "",
      reason: reason,
    });
    if (!entry) {
      sendOrdinarily(form, submitter); // Nothing can be kept here, as without this script.
      return;
    }
    if (wasLost) {
      goOn(form);
      outbox.flush();
      return;
    }
    say(form, "");
    form.setAttribute("aria-busy", "true");
    do {
      await outbox.flush();
    } while (outbox.isPending(entry) && !outbox.isLost());
    form.removeAttribute("aria-busy");
    if (outbox.isRefused(entry)) {
      // The page of the server says why, with what stands there now; the text stays in its field.
      outbox.drop(entry);
      outbox.tell();
      sendOrdinarily(form, submitter);
    } else if (outbox.isLost()) {
      const why = whyNot(form, reading, keeps, reason);
      if (why) {
        outbox.drop(entry);
        outbox.tell();
        say(form, why, fieldFor(form, field));
      } else {
        goOn(form);
      }
    }
  }

  // Before the guard against double sending, which looks after what goes out the ordinary way.
  document.addEventListener(
    "submit",
    function (event) {
      const form = event.target;
      const submitter = event.submitter;
      if (!form.hasAttribute("data-outbox") || ordinary.has(form) || !outbox.isReady()) {
        return;
      }
      if (submitter && submitter.name === "seen") {
        return; // A change is looked at; nothing is recorded by that.
      }
      event.preventDefault();
      if (!busy) {
        busy = true;
        take(form, submitter).finally(function () {
          busy = false;
        });
      }
    },
    true
  );

  // --- the connection is back ----------------------------------------------------------------
  outbox.afterRound(function (booked) {
    const here = booked.filter(function (one) {
      return one.entry.kind !== "scan" && one.entry.batch === batchHere();
    });
    const form = theForm();
    const refused = outbox.refused(batchHere()).filter(function (entry) {
      return takenHere.has(String(entry.step)) || (entry.kind === "scan" && form && String(entry.step) === form.dataset.number);
    });
    if (form && refused.length) {
      // The figures that this page carries may no longer hold.
      panel("Look at " + batchHere() + " before going on", "What was done at step " + refused[0].step + " was not recorded, so what followed here may no longer hold. Open " + batchHere() + " as it stands now.");
      return;
    }
    if (!here.length) {
      if (!form || busy || !outbox.isLost()) {
        return;
      }
      const own = outbox.pendingRecords(form.dataset.batch).some(function (entry) {
        return entry.step === Number(form.dataset.number);
      });
      if (own) {
        showNext(); // The page was opened anew while its reading still waits.
      }
      return;
    }
    const last = here[here.length - 1];
    const isShown = form && !takenHere.has(form.dataset.number) && takenHere.has(String(last.entry.step));
    if (isShown) {
      // The person is at a later step already; what they type goes on from what was booked.
      form.elements.version.value = last.answer.version;
    } else if (!outbox.pending(batchHere()).length) {
      if (form) {
        forget(form);
      }
      window.location.assign(last.answer.next);
    }
  });

  // Whoever leaves this page without a connection loses the steps it carries.
  document.addEventListener("click", function (event) {
    const link = event.target.closest ? event.target.closest("a[href]") : null;
    if (!link || !outbox.isLost() || link.getAttribute("href").startsWith("#") || link.closest(".outbox")) {
      return;
    }
    event.preventDefault();
    outbox.flush().then(function () {
      if (outbox.isLost()) {
        const form = theForm();
        if (form) {
          say(form, "“" + link.textContent.trim() + "” waits for the connection.");
        }
      } else {
        window.location.assign(link.href);
      }
    });
  });

  window.addEventListener("pageshow", function () {
    const form = theForm();
    if (form) {
      ordinary.delete(form);
    }
  });
})();
