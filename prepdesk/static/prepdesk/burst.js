// A scanner, or a balance set to type, presses keys like a keyboard, only faster, and mostly ends with Enter
// or Tab. This tells such a burst from a hand, wherever the focus is, and announces it:
//
//   "prepdesk:burst" on the document, with detail
//     text      what was typed, without the end
//     target    where it went
//     takeOut() puts every field back as it was before the burst; what a hand had typed stays
//     ended     false where neither Enter nor Tab came
//
// Whoever prevents the default of that event takes the burst over: its Enter presses nothing, nor does a
// second one that follows at once. What a hand types while a scanner does is part of the burst, and what a
// hand typed just before is not.
"use strict";

(function () {
  // A scanner that is held up for one sign goes on within this; a hand seldom is as fast even once.
  const LONGEST_GAP_MS = 120;
  // [from so many signs on, mean gap of a device at most]: scanners take 2 ms to 50 ms a sign, and a practised
  // hand takes 80 ms over figures. Fewer signs prove less, so they must come faster.
  const PACES = [[6, 65], [4, 60], [3, 35], [2, 12]];
  // Without an end it must be beyond doubt.
  const ENDLESS = { from: 5, pace: 35, after: 200 };
  const SECOND_ENTER_MS = 200;
  // Figures that a hand typed stand before a code that a slow scanner began at once.
  const OUR_CODE = /[LPADQ]\d{5,}[0-9A-Z]$/i;

  let keys = [];
  let swallowUntil = 0;
  let timer = 0;

  function snapshot(target) {
    if (target instanceof HTMLSelectElement) {
      return { target: target, index: target.selectedIndex };
    }
    if (target instanceof HTMLInputElement || target instanceof HTMLTextAreaElement) {
      let from = null;
      try {
        from = target.selectionStart; // Some kinds of field have none.
      } catch (error) {
        from = null;
      }
      return { target: target, value: target.value, from: from, to: from === null ? null : target.selectionEnd };
    }
    return { target: target };
  }

  function putBack(was) {
    if (was.index !== undefined) {
      was.target.selectedIndex = was.index;
      was.target.dispatchEvent(new Event("change", { bubbles: true }));
    }
    if (was.value === undefined || was.target.value === was.value) {
      return;
    }
    was.target.value = was.value;
    if (was.from !== null) {
      was.target.setSelectionRange(was.from, was.to);
    }
    // Whoever keeps or checks what is typed hears that it is gone.
    was.target.dispatchEvent(new Event("input", { bubbles: true }));
  }

  function meanGap(run, end) {
    return (end - run[0].at) / run.length;
  }

  function fromDevice(run, end) {
    const pace = PACES.find(function (one) {
      return run.length >= one[0];
    });
    return pace !== undefined && meanGap(run, end) <= pace[1];
  }

  // The part of the run that a device typed: the last keys that came at one pace.
  function devicePart(run, end) {
    const gaps = run.map(function (key, index) {
      return (index + 1 < run.length ? run[index + 1].at : end) - key.at;
    });
    const usual = gaps.slice().sort(function (a, b) {
      return a - b;
    })[Math.floor(gaps.length / 2)];
    const longest = Math.min(LONGEST_GAP_MS, Math.max(30, 4 * usual + 10));
    let start = run.length - 1;
    while (start > 0 && gaps[start - 1] <= longest) {
      start -= 1;
    }
    // A device that paused is one device: letters never belong to what a hand types here, nor do keys that
    // came as one.
    const lead = run.slice(0, start);
    if (lead.some(function (key) { return /[a-z]/i.test(key.sign); }) || (lead.length > 1 && meanGap(lead.slice(0, -1), lead[lead.length - 1].at) <= 15)) {
      start = 0;
    }
    const part = run.slice(start);
    const code = OUR_CODE.exec(textOf(part));
    const byHand = code ? textOf(part).slice(0, code.index) : "";
    return /^[\d.,]+$/.test(byHand) ? part.slice(byHand.length) : part;
  }

  function textOf(run) {
    return run.map(function (key) {
      return key.sign;
    }).join("");
  }

  function announce(part, ended) {
    const first = new Map();
    for (const key of part) {
      if (!first.has(key.was.target)) {
        first.set(key.was.target, key.was);
      }
    }
    return !document.dispatchEvent(
      new CustomEvent("prepdesk:burst", {
        cancelable: true,
        detail: {
          text: textOf(part),
          target: part[0].was.target,
          ended: ended,
          takeOut: function () {
            first.forEach(putBack);
          },
        },
      })
    );
  }

  function stop(event) {
    event.preventDefault();
    event.stopImmediatePropagation();
  }

  function withoutEnd() {
    const run = keys;
    keys = [];
    const last = run.length ? run[run.length - 1].at : 0;
    if (run.length >= ENDLESS.from && meanGap(run, last) <= ENDLESS.pace) {
      announce(devicePart(run, last), false);
    }
  }

  document.addEventListener(
    "keydown",
    function (event) {
      if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing || event.key === "Shift") {
        return;
      }
      const now = event.timeStamp;
      const goesOn = keys.length > 0 && now - keys[keys.length - 1].at < LONGEST_GAP_MS;
      window.clearTimeout(timer);
      if (event.key === "Enter" || event.key === "Tab") {
        if (now < swallowUntil) {
          stop(event);
          return;
        }
        const run = goesOn ? keys : [];
        keys = [];
        const part = run.length ? devicePart(run, now) : [];
        if (part.length && fromDevice(part, now) && announce(part, true)) {
          swallowUntil = now + SECOND_ENTER_MS;
          stop(event);
        }
        return;
      }
      // A key that is held down repeats as fast as a device types.
      if (event.key.length !== 1 || event.repeat) {
        keys = [];
        return;
      }
      if (!goesOn) {
        keys = [];
      }
      keys.push({ sign: event.key, at: now, was: snapshot(event.target) });
      timer = window.setTimeout(withoutEnd, ENDLESS.after);
    },
    true
  );

  // A balance begins with blanks, and a blank presses the button that has the focus when the key comes up. So
  // a press shorter than a finger's waits whether more follows.
  let blankAt = 0;
  document.addEventListener(
    "keydown",
    function (event) {
      if (event.key === " " && !event.repeat) {
        blankAt = event.timeStamp;
      }
    },
    true
  );
  document.addEventListener(
    "keyup",
    function (event) {
      const button = event.target instanceof Element ? event.target.closest("button, summary") : null;
      if (event.key !== " " || !button || event.timeStamp - blankAt > 15) {
        return;
      }
      event.preventDefault();
      const pressedAt = blankAt;
      window.setTimeout(function () {
        if (keys.length === 1 && keys[0].at === pressedAt) {
          button.click();
        }
      }, LONGEST_GAP_MS);
    },
    true
  );
})();
