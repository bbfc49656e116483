// Keeps what is being typed in a form marked data-keep, so that a session that ends mid-way costs nothing:
// after signing in again it stands there. Kept in this tab only, for this person only, and forgotten once
// the server has taken it or somebody signs out.
//
//   data-keep="order"         what is typed is kept, and put back when the page is opened anew
//   data-keep-this            a hidden field that is kept too, since somebody chose what it holds
//   data-keep-shown           the server shows the newest values itself: nothing is put back over them
//   data-keep-sends="order"   a form without fields of its own that sends what was kept under that name
"use strict";

(function () {
  const PREFIX = "prepdesk-kept:";
  const SENT = "prepdesk-sent";

  function storage() {
    try {
      return window.sessionStorage;
    } catch (error) {
      return null; // Storage is switched off in this browser; nothing else depends on it.
    }
  }

  function keyOf(form) {
    return PREFIX + document.body.dataset.person + ":" + window.location.pathname + ":" + form.dataset.keep;
  }

  function fieldsOf(form) {
    return Array.from(form.elements).filter(function (field) {
      return field.name && (field.type !== "hidden" || field.hasAttribute("data-keep-this")) && field.type !== "password" && field.type !== "file" && "value" in field && field.tagName !== "BUTTON";
    });
  }

  function read(form) {
    return fieldsOf(form).map(function (field) {
      const ticked = field.type === "checkbox" || field.type === "radio";
      return [field.name, ticked ? field.value : null, ticked ? field.checked : field.value];
    });
  }

  function write(form, kept) {
    let changed = false;
    for (const field of fieldsOf(form)) {
      for (const [name, choice, value] of kept) {
        if (field.name !== name) {
          continue;
        }
        if (choice === null && field.value !== value) {
          field.value = value;
          changed = true;
        } else if (choice !== null && field.value === choice && field.checked !== value) {
          field.checked = value;
          changed = true;
        }
      }
    }
    return changed;
  }

  function forgetAll(store) {
    for (const key of Object.keys(store)) {
      if (key.startsWith(PREFIX) || key === SENT) {
        store.removeItem(key);
      }
    }
  }

  document.addEventListener("DOMContentLoaded", function () {
    const store = storage();
    if (!store) {
      return;
    }
    const person = document.body.dataset.person;
    const signingIn = window.location.pathname === document.body.dataset.signIn;
    // Whatever another person typed on this device is not shown to the next one.
    for (const key of Object.keys(store)) {
      if (person && key.startsWith(PREFIX) && !key.startsWith(PREFIX + person + ":")) {
        store.removeItem(key);
      }
    }
    const sent = store.getItem(SENT);
    if (sent && !signingIn && !sent.endsWith("@" + window.location.pathname)) {
      store.removeItem(sent.slice(0, sent.lastIndexOf("@"))); // The server took it and led elsewhere.
    }
    if (!signingIn) {
      store.removeItem(SENT);
    }
    for (const form of document.querySelectorAll("form[data-keep]")) {
      const kept = store.getItem(keyOf(form));
      const shown = form.hasAttribute("data-keep-shown") || form.querySelector("[aria-invalid='true']");
      if (kept && !shown && write(form, JSON.parse(kept))) {
        const note = document.createElement("p");
        note.className = "notice";
        note.setAttribute("role", "status");
        note.textContent = "What you typed before is back. It has not been sent yet.";
        form.prepend(note);
        form.dispatchEvent(new Event("change", { bubbles: true }));
      }
    }
    // For every such form, also one that a page shows later.
    function keptForm(target) {
      const form = target.form || target;
      return form instanceof HTMLFormElement && form.hasAttribute("data-keep") ? form : null;
    }
    document.addEventListener("input", function (event) {
      const form = keptForm(event.target);
      if (form) {
        store.setItem(keyOf(form), JSON.stringify(read(form)));
      }
    });
    document.addEventListener("submit", function (event) {
      const form = keptForm(event.target);
      if (form) {
        store.setItem(keyOf(form), JSON.stringify(read(form)));
        if (!event.defaultPrevented) {
          store.setItem(SENT, keyOf(form) + "@" + window.location.pathname);
        }
      }
    });
    // What was written down elsewhere, see outbox.js.
    document.addEventListener("prepdesk:forget", function (event) {
      store.removeItem(keyOf(event.target));
    });
    for (const form of document.querySelectorAll("form[data-keep-sends]")) {
      form.addEventListener("submit", function () {
        const key = PREFIX + person + ":" + window.location.pathname + ":" + form.dataset.keepSends;
        store.setItem(SENT, key + "@" + window.location.pathname);
      });
    }
    document.addEventListener("submit", function (event) {
      if (event.target.getAttribute("action") === document.body.dataset.signOut) {
        forgetAll(store);
      }
    });
  });
})();
