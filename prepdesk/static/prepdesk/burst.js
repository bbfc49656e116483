// A scanner, or a balance set to type, presses keys like a keyboard, only faster, and mostly ends with Enter
// or Tab. This tells such a burst from a hand, wherever the focus is, and announces it:
//
//   "prepdesk:burst" on the document, with detail
//     text      what was typed, without the end
//     target    where it went
//     takeOut() puts every field back as it was before the burst; what a hand had typed stays
//     ended     false where neither Enter nor Tab came
//     whole     false where a key was pressed shortly before, so that this may be the rest of something
//
// Whoever prevents the default of that event takes the burst over: its Enter presses nothing, nor does a
// second one that follows at once. What a hand types while a device does is part of the burst; of what it
// typed just before, that part stays which is told for certain. What is in doubt goes: a figure that is
// missing is seen, and one too many may not be.
"use strict";

(function () {
  // A device that is held up for one sign goes on within this; a hand seldom is as fast even once.
  const LONGEST_GAP_MS = 120;
  // Where it is likely that a device types, it may be held up longer.
  const LONGEST_PAUSE_MS = 350;
  // [from so many signs on, mean gap of a device at most]: scanners take 2 ms to 50 ms a sign, and a practised
  // hand takes 80 ms over figures. Fewer signs prove less, so they must come faster.
  const PACES = [[6, 65], [4, 60], [3, 35], [2, 12]];
  // Beyond doubt, without an Enter.
  const SURE_PACES = [[5, 35], [3, 25]];
  const LIKELY_PACES = [...SURE_PACES, [2, 12]];
  const ENDLESS_MS = 800;
  const SECOND_ENTER_MS = 200;
  const SHORTLY_MS = 2000;
  // Two keys in a row as slow as this are a hand's, before a device as fast as that.
  const SLOW_HAND_MS = 45;
  const FAST_DEVICE_MS = 15;
  // Figures that a hand typed stand before a code.
  const OUR_CODE = /[LPADQ]\d{5,}[0-9A-Z]$/i;

  let keys = [];
  let swallowUntil = 0;
  let lastKeyAt = -SHORTLY_MS;
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

  // The gaps after each key, the last one to the end.
  function gapsOf(run, end) {
    return run.map(function (key, index) {
      return (index + 1 < run.length ? run[index + 1].at : end) - key.at;
    });
  }

  function keepsPace(count, gap, paces) {
    const pace = paces.find(function (one) {
      return count >= one[0];
    });
    return pace !== undefined && gap <= pace[1];
  }

  function fromDevice(run, end) {
    return keepsPace(run.length, (end - run[0].at) / run.length, PACES);
  }

  // By the gaps between its keys alone.
  function soFarFromDevice(run, paces) {
    return run.length > 1 && keepsPace(run.length, (run[run.length - 1].at - run[0].at) / (run.length - 1), paces);
  }

  // How many keys at the beginning of a run are a hand's for certain.
  function handsIn(run, end) {
    const gaps = gapsOf(run, end);
    const code = OUR_CODE.exec(textOf(run));
    if (code && /^[\d.,]+$/.test(textOf(run).slice(0, code.index))) {
      return code.index;
    }
    let slow = 0;
    while (slow < gaps.length && gaps[slow] >= SLOW_HAND_MS) {
      slow += 1;
    }
    const rest = gaps.slice(slow).sort(function (a, b) {
      return a - b;
    });
    return slow >= 2 && rest.length >= 2 && rest[Math.floor(rest.length / 2)] <= FAST_DEVICE_MS ? slow : 0;
  }

  function textOf(run) {
    return run.map(function (key) {
      return key.sign;
    }).join("");
  }

  // Whether somebody took it over.
  function announce(run, end, ended) {
    const part = run.slice(handsIn(run, end));
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
          whole: part.length === run.length && part[0].alone,
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
    if (soFarFromDevice(run, SURE_PACES)) {
      announce(run, run[run.length - 1].at, false);
    }
  }

  document.addEventListener(
    "keydown",
    function (event) {
      if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing || event.key === "Shift") {
        return;
      }
      const now = event.timeStamp;
      const gap = now - lastKeyAt;
      const goesOn = keys.length > 0 && (gap < LONGEST_GAP_MS || (gap < LONGEST_PAUSE_MS && soFarFromDevice(keys, LIKELY_PACES)));
      window.clearTimeout(timer);
      if (!goesOn) {
        withoutEnd();
      }
      if (event.key === "Enter" || event.key === "Tab") {
        const run = keys;
        if (run.length === 0 && now < swallowUntil) {
          stop(event);
          return;
        }
        keys = [];
        const pace = run.length > 0 && (fromDevice(run, now) || soFarFromDevice(run, SURE_PACES));
        if (pace && announce(run, now, true)) {
          swallowUntil = now + SECOND_ENTER_MS;
          stop(event);
        }
        return;
      }
      // A key that is held down repeats as fast as a device types.
      if (event.key.length !== 1 || event.repeat) {
        keys = [];
        lastKeyAt = now;
        return;
      }
      keys.push({ sign: event.key, at: now, was: snapshot(event.target), alone: gap >= SHORTLY_MS });
      lastKeyAt = now;
      timer = window.setTimeout(withoutEnd, ENDLESS_MS);
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
