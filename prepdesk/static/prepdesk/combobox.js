// Turns a select marked data-combobox, or a text field with data-combobox-source, into a field that finds
// by typing: a combobox with a list, as the ARIA practices describe it. Without this script both work as
// they are. It never picks by itself where two fit: then the choice stays open and the server asks.
//
//   <select data-combobox> <option value="…" data-detail="pentahydrate, 480 g" data-words="CuSO4.5H2O 7758-99-8">
//   <input data-combobox-source="/address/?q="> answered by {"options": [{"value", "label", "detail"}]}
"use strict";

(function () {
  const MOST = 30;
  const WAIT_MS = 200;
  let number = 0;

  function plain(text) {
    return text.toLowerCase().normalize("NFKD").replace(/[\u0300-\u036f·.*\s()-]/g, "");
  }

  function fromSelect(select) {
    const all = Array.from(select.options)
      .filter(function (option) {
        return option.value !== "";
      })
      .map(function (option) {
        const label = option.textContent.trim();
        const detail = option.dataset.detail || "";
        return { value: option.value, label: label, detail: detail, words: plain(label + " " + detail + " " + (option.dataset.words || "")) };
      });
    return function (typed) {
      const parts = typed.trim().split(/\s+/).map(plain).filter(Boolean);
      return Promise.resolve(
        all.filter(function (entry) {
          return parts.every(function (part) {
            return entry.words.includes(part);
          });
        })
      );
    };
  }

  function fromServer(address) {
    return function (typed) {
      return fetch(address + encodeURIComponent(typed), { headers: { Accept: "application/json" }, credentials: "same-origin" }).then(function (answer) {
        return answer.ok ? answer.json() : { options: [] };
      }).then(function (body) {
        return body.options;
      }, function () {
        return []; // No list without the server; what is typed is still sent and read there.
      });
    };
  }

  function enhance(field) {
    const isSelect = field.tagName === "SELECT";
    const find = isSelect ? fromSelect(field) : fromServer(field.dataset.comboboxSource);
    number += 1;
    const listId = "combobox-" + number;

    const box = document.createElement("div");
    box.className = "combobox";
    const input = isSelect ? document.createElement("input") : field;
    field.before(box);
    if (isSelect) {
      input.type = "text";
      input.id = field.id + "_typed";
      input.dataset.comboboxFor = field.id;
      const chosen = field.selectedOptions[0];
      input.value = chosen && chosen.value ? chosen.textContent.trim() : "";
      for (const name of ["aria-describedby", "aria-invalid", "aria-required"]) {
        if (field.hasAttribute(name)) {
          input.setAttribute(name, field.getAttribute(name));
        }
      }
      const label = field.id ? document.querySelector("label[for='" + CSS.escape(field.id) + "']") : null;
      if (label) {
        label.htmlFor = input.id;
      }
      field.hidden = true;
      box.append(input, field);
    } else {
      box.append(field);
    }
    input.setAttribute("role", "combobox");
    input.setAttribute("aria-autocomplete", "list");
    input.setAttribute("aria-expanded", "false");
    input.setAttribute("aria-controls", listId);
    input.setAttribute("autocomplete", "off");
    input.setAttribute("spellcheck", "false");

    const list = document.createElement("ul");
    list.id = listId;
    list.className = "combobox-list";
    list.setAttribute("role", "listbox");
    list.setAttribute("aria-label", "What fits");
    list.hidden = true;
    const news = document.createElement("p");
    news.className = "aside-spoken";
    news.setAttribute("role", "status");
    box.append(list, news);

    let shown = [];
    let active = -1;
    let asked = 0;
    let timer = 0;

    function close() {
      window.clearTimeout(timer);
      asked += 1; // An answer under way must not open the list again.
      list.hidden = true;
      active = -1;
      input.setAttribute("aria-expanded", "false");
      input.removeAttribute("aria-activedescendant");
    }

    function mark(index) {
      active = index;
      Array.from(list.children).forEach(function (item, position) {
        item.setAttribute("aria-selected", position === index ? "true" : "false");
        if (position === index) {
          input.setAttribute("aria-activedescendant", item.id);
          item.scrollIntoView({ block: "nearest" });
        }
      });
      if (index < 0) {
        input.removeAttribute("aria-activedescendant");
      }
    }

    function choose(entry) {
      input.value = isSelect ? entry.label : entry.value;
      if (isSelect) {
        field.value = entry.value;
        field.dispatchEvent(new Event("change", { bubbles: true }));
      } else {
        field.dispatchEvent(new Event("change", { bubbles: true }));
      }
      close();
    }

    function show(entries, more) {
      shown = entries;
      list.replaceChildren();
      entries.forEach(function (entry, position) {
        const item = document.createElement("li");
        item.id = listId + "-" + position;
        item.className = "combobox-option";
        item.setAttribute("role", "option");
        item.setAttribute("aria-selected", "false");
        const name = document.createElement("span");
        name.textContent = entry.label;
        item.append(name);
        if (entry.detail) {
          const detail = document.createElement("span");
          detail.className = "combobox-detail";
          detail.textContent = entry.detail;
          item.append(" ", detail);
        }
        // Pressing must not take the focus away before the click arrives.
        item.addEventListener("mousedown", function (event) {
          event.preventDefault();
        });
        item.addEventListener("click", function () {
          choose(entry);
        });
        list.append(item);
      });
      list.hidden = entries.length === 0;
      input.setAttribute("aria-expanded", entries.length ? "true" : "false");
      mark(-1);
      news.textContent = entries.length === 0 ? "Nothing fits." : entries.length + (entries.length === 1 ? " fits." : " fit.") + (more ? " Type more to see fewer." : "");
    }

    function ask() {
      asked += 1;
      const mine = asked;
      find(input.value).then(function (entries) {
        if (mine === asked && document.activeElement === input) {
          show(entries.slice(0, MOST), entries.length > MOST);
        }
      });
    }

    function askSoon() {
      window.clearTimeout(timer);
      timer = window.setTimeout(ask, isSelect ? 0 : WAIT_MS);
    }

    // What is typed must be exactly one option to count as a choice; anything else leaves it open.
    function settle() {
      if (!isSelect) {
        return;
      }
      const chosen = field.selectedOptions[0];
      if (chosen && chosen.value !== "" && plain(chosen.textContent) === plain(input.value)) {
        return; // Picked from the list, though another option may bear the same name.
      }
      const same = Array.from(field.options).filter(function (option) {
        return option.value !== "" && plain(option.textContent) === plain(input.value);
      });
      const value = input.value.trim() !== "" && same.length === 1 ? same[0].value : "";
      if (field.value !== value) {
        field.value = value;
        if (field.value !== value) {
          field.selectedIndex = -1; // A select without an empty option.
        }
        field.dispatchEvent(new Event("change", { bubbles: true }));
      }
    }

    input.addEventListener("input", askSoon);
    input.addEventListener("blur", function () {
      settle();
      close();
    });
    // The typed text itself changes nothing on the server; only a choice does.
    if (isSelect) {
      input.addEventListener("change", function (event) {
        event.stopPropagation();
      });
    }
    input.addEventListener("keydown", function (event) {
      const open = !list.hidden;
      if (event.key === "ArrowDown" || event.key === "ArrowUp") {
        event.preventDefault();
        if (!open) {
          ask();
        } else if (shown.length) {
          const step = event.key === "ArrowDown" ? 1 : -1;
          mark(active < 0 && step < 0 ? shown.length - 1 : (active + step + shown.length) % shown.length);
        }
      } else if (event.key === "Enter" && open && active >= 0) {
        event.preventDefault();
        choose(shown[active]);
      } else if (event.key === "Enter" && open) {
        event.preventDefault(); // A list is open and nothing is marked: do not send a half-made choice.
        settle();
        close();
      } else if (event.key === "Escape" && open) {
        event.preventDefault();
        event.stopPropagation();
        close();
      } else if (event.key === "Escape") {
        input.value = "";
        settle();
      }
    });
  }

  function enhanceAll(root) {
    for (const field of root.querySelectorAll("select[data-combobox], input[data-combobox-source]")) {
      if (!field.dataset.comboboxDone) {
        field.dataset.comboboxDone = "true";
        enhance(field);
      }
    }
  }

  document.addEventListener("DOMContentLoaded", function () {
    enhanceAll(document);
  });
  document.addEventListener("htmx:afterSettle", function (event) {
    if (event.detail.elt instanceof Element) {
      enhanceAll(event.detail.elt);
    }
  });
})();
