// Readings that are not sent yet are kept on this device, for the person who took them, until the server has
// booked each of them: written down first, then sent, in order and by themselves. Their keys make each one
// record however often it arrives. What the server refuses stays to be seen until somebody discards it.
// Signing out with readings that are not sent is asked about first, and then empties the outbox.
// Scans of bottles that were made without a connection wait in the same row, with kind "scan" (kept_scan.js).
"use strict";

window.prepdeskOutbox = (function () {
  const PREFIX = "prepdesk-outbox:";
  const PATIENCE_MS = 4000;
  const EVERY_MS = 4000;

  const listeners = [];
  // How the last attempt went: "" all is well, "lost" no answer, "signed-out" nobody is signed in.
  let state = "";
  let person = "";
  let running = null;
  let timer = 0;
  let news = null;
  let sentNow = [];
  let wasTold = false;

  // --- what is kept --------------------------------------------------------------------------
  function storage() {
    try {
      return window.localStorage;
    } catch (error) {
      return null; // Storage is switched off in this browser; then forms are sent the ordinary way.
    }
  }

  function own() {
    return PREFIX + person + ":";
  }

  // All that this person has on this device, oldest first; of nobody else.
  function entries() {
    const store = storage();
    if (!store || !person) {
      return [];
    }
    const names = Object.keys(store).filter(function (name) {
      return name.startsWith(own());
    });
    return names.sort().map(function (name) {
      return JSON.parse(store.getItem(name));
    });
  }

  function pending(batch) {
    return entries().filter(function (entry) {
      return !entry.refused && (!batch || entry.batch === batch);
    });
  }

  function isScan(entry) {
    return entry.kind === "scan";
  }

  function isRecord(entry) {
    return !isScan(entry);
  }

  // One row for each, so that two pages of one device never write over each other.
  function write(entry) {
    storage().setItem(entry.name, JSON.stringify(entry));
  }

  function drop(entry) {
    storage().removeItem(entry.name);
  }

  // Whether it is written down; then it is safe, whatever happens next.
  function add(entry) {
    const before = pending(entry.batch).filter(isRecord);
    const last = entries().pop();
    const order = Math.max(Date.now(), last ? last.order + 1 : 0);
    const added = Object.assign({}, entry, {
      name: own() + String(order).padStart(16, "0") + ":" + entry.key,
      order: order,
      person: Number(person),
      after: before.length ? before[before.length - 1].key : "",
      taken_at: new Date().toISOString(),
    });
    try {
      write(added);
    } catch (error) {
      return null;
    }
    return added;
  }

  // --- sending -------------------------------------------------------------------------------
  function token() {
    return JSON.parse(document.body.getAttribute("hx-headers") || "{}")["X-CSRFToken"] || "";
  }

  function asRecord(entry) {
    const body = {
      key: entry.key,
      person: entry.person,
      version: entry.version,
      revision: entry.revision,
      reading: entry.reading,
      reason: entry.reason,
      after: entry.after,
      taken_at: entry.taken_at,
      sent_at: new Date().toISOString(),
    };
    return { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
  }

  function asScan(entry) {
    const body = new URLSearchParams({
      key: entry.key,
      scan: entry.scanned,
      person: entry.person,
      revision: entry.revision,
      taken_at: entry.taken_at,
      sent_at: new Date().toISOString(),
    });
    return { headers: { Accept: "application/json" }, body: body };
  }

  async function send(entry) {
    const stop = new AbortController();
    const patience = window.setTimeout(function () {
      stop.abort();
    }, PATIENCE_MS);
    const sent = isScan(entry) ? asScan(entry) : asRecord(entry);
    try {
      const answer = await fetch(entry.address, {
        method: "POST",
        headers: Object.assign({ "X-CSRFToken": token() }, sent.headers),
        body: sent.body,
        redirect: "manual",
        cache: "no-store",
        signal: stop.signal,
      });
      const isJson = (answer.headers.get("Content-Type") || "").startsWith("application/json");
      if (answer.ok && isJson) {
        return { booked: await answer.json() };
      }
      if (answer.status >= 400 && answer.status < 500 && answer.status !== 429 && isJson) {
        return { refused: (await answer.json()).refused };
      }
      if (answer.status === 404) {
        return { refused: { title: "Not found", text: entry.batch + " can no longer be found." } };
      }
      return { state: answer.type === "opaqueredirect" || answer.status === 403 ? "signed-out" : "lost" };
    } catch (error) {
      return { state: "lost" };
    } finally {
      window.clearTimeout(patience);
    }
  }

  async function sendAll() {
    const booked = [];
    for (;;) {
      const entry = pending()[0];
      if (!entry) {
        state = "";
        break;
      }
      const outcome = await send(entry);
      if (outcome.booked) {
        drop(entry);
        booked.push({ entry: entry, answer: outcome.booked });
      } else if (outcome.refused) {
        write(Object.assign(entry, { refused: outcome.refused }));
        state = "";
      } else {
        state = outcome.state;
        break;
      }
    }
    return booked;
  }

  // Send what there is; every caller gets what was booked in the same round.
  function flush() {
    if (!running) {
      window.clearTimeout(timer);
      running = sendAll().then(function (booked) {
        running = null;
        if (pending().length) {
          timer = window.setTimeout(flush, EVERY_MS);
        }
        if (booked.length && wasTold && !pending().length) {
          sentNow = booked;
        }
        tell();
        for (const listener of listeners) {
          listener(booked);
        }
        return booked;
      });
    }
    return running;
  }

  // --- saying so -----------------------------------------------------------------------------
  function element(name, text, more) {
    const made = document.createElement(name);
    made.textContent = text || "";
    return Object.assign(made, more || {});
  }

  function counted(list) {
    const scans = list.filter(isScan).length;
    const read = list.filter(function (entry) {
      return entry.reading;
    }).length;
    const done = list.length - read - scans;
    const parts = [];
    if (scans) {
      parts.push(scans + (scans === 1 ? " scan" : " scans"));
    }
    if (read) {
      parts.push(read + (read === 1 ? " reading" : " readings"));
    }
    if (done) {
      parts.push(done + (done === 1 ? " step done" : " steps done"));
    }
    const last = parts.pop();
    return parts.length ? parts.join(", ") + " and " + last : last;
  }

  // The figure that was read, or what else was done.
  function whatWasDone(entry) {
    if (isScan(entry)) {
      return entry.scanned + " scanned";
    }
    return entry.reading ? entry.reading + " " + entry.unit : "done";
  }

  function what(entry) {
    const at = new Date(entry.taken_at).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    const read = whatWasDone(entry);
    return entry.batch + ", step " + entry.step + ": " + read + ", at " + at;
  }

  function listOf(list) {
    const made = element("ul");
    for (const entry of list) {
      made.append(element("li", what(entry)));
    }
    return made;
  }

  function unsent(list) {
    const many = list.length > 1;
    const kept = "Not sent yet: " + counted(list) + (many ? " are" : " is") + " kept on this device";
    const box = element("div", "", { className: "notice notice-wait" });
    if (state === "signed-out") {
      const here = encodeURIComponent(window.location.pathname);
      box.append(element("p", kept + ". Nobody is signed in; sign in again and " + (many ? "they are" : "it is") + " sent."));
      box.append(element("a", "Sign in again", { className: "button", href: document.body.dataset.signIn + "?next=" + here }));
    } else {
      box.append(element("p", kept + " and " + (many ? "are" : "is") + " sent when the connection is back. Leave this page open."));
    }
    return box;
  }

  function refusal(entry) {
    const box = element("div", "", { className: "notice notice-stop" });
    const first = element("p");
    first.append(element("strong", "Not recorded. "), what(entry) + ". " + entry.refused.text + " It stays here until you discard it.");
    box.append(first);
    const actions = element("div", "", { className: "actions" });
    const ask = element("button", "Discard it", { type: "button", className: "button-quiet" });
    ask.addEventListener("click", function () {
      const keep = element("button", "Keep it", { type: "button", className: "button-quiet" });
      const sure = element("button", "Discard " + (entry.reading ? entry.reading + " " + entry.unit : "it") + " for good", { type: "button", className: "button-final" });
      keep.addEventListener("click", tell);
      sure.addEventListener("click", function () {
        drop(entry);
        tell();
      });
      actions.replaceChildren(keep, sure);
      keep.focus();
    });
    actions.append(element("a", "Open " + entry.batch, { className: "button button-quiet", href: entry.address.replace(/steps\/.*$/, "") }), ask);
    box.append(actions);
    return box;
  }

  function tell() {
    if (!news) {
      return;
    }
    const waiting = pending();
    const refused = entries().filter(function (entry) {
      return entry.refused;
    });
    const said = [];
    if (waiting.length && state) {
      wasTold = true;
      said.push(unsent(waiting));
    } else if (sentNow.length) {
      const sent = sentNow.map(function (one) {
        return one.entry;
      });
      said.push(element("p", "Sent: " + counted(sent) + ".", { className: "message" }));
    }
    news.replaceChildren.apply(news, said.concat(refused.map(refusal)));
  }

  // --- signing out ---------------------------------------------------------------------------
  function askToSignOut(form) {
    const list = entries();
    const box = element("dialog", "", { className: "outbox-dialog" });
    const title = element("h2", counted(list) + (list.length > 1 ? " are" : " is") + " not sent yet", { id: "outbox-title" });
    box.setAttribute("aria-labelledby", "outbox-title");
    const stay = element("button", "Stay signed in", { type: "button", autofocus: true });
    const leave = element("button", "Sign out and delete " + (list.length > 1 ? "them" : "it"), { type: "button", className: "button-final" });
    const actions = element("div", "", { className: "actions" });
    actions.append(stay, leave);
    box.append(title, listOf(list), element("p", "Signing out deletes what is kept on this device. Stay until it is sent, or write it down first."), actions);
    document.body.append(box);
    stay.addEventListener("click", function () {
      box.close();
    });
    box.addEventListener("close", function () {
      box.remove();
    });
    leave.addEventListener("click", function () {
      for (const entry of list) {
        drop(entry);
      }
      box.close();
      form.requestSubmit();
    });
    box.showModal();
  }

  document.addEventListener(
    "submit",
    function (event) {
      const form = event.target;
      if (form.getAttribute("action") === document.body.dataset.signOut && entries().length) {
        event.preventDefault();
        event.stopImmediatePropagation(); // Nothing else is forgotten before it is certain.
        askToSignOut(form);
      }
    },
    true
  );

  document.addEventListener("DOMContentLoaded", function () {
    person = document.body.dataset.person || "";
    const main = document.getElementById("main");
    if (!storage() || !person || !main) {
      return;
    }
    news = element("div", "", { className: "outbox" });
    news.setAttribute("role", "status");
    main.prepend(news);
    tell();
    window.addEventListener("online", flush);
    if (pending().length) {
      flush();
    }
  });

  return {
    add: add,
    drop: drop,
    flush: flush,
    pending: pending,
    pendingRecords: function (batch) {
      return pending(batch).filter(isRecord);
    },
    pendingScans: function (batch, step) {
      return pending(batch).filter(function (entry) {
        return isScan(entry) && entry.step === step;
      });
    },
    isPending: function (entry) {
      return pending().some(function (one) {
        return one.name === entry.name;
      });
    },
    isReady: function () {
      return Boolean(news);
    },
    isLost: function () {
      return state !== "";
    },
    refused: function (batch) {
      return entries().filter(function (entry) {
        return entry.refused && entry.batch === batch;
      });
    },
    isRefused: function (entry) {
      return entries().some(function (one) {
        return one.name === entry.name && one.refused;
      });
    },
    afterRound: function (listener) {
      listeners.push(listener);
    },
    tell: tell,
  };
})();
