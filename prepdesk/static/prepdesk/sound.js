// A tone for what was scanned, for whoever looks at the bottle and not at the screen: one for what was right,
// two for what was refused. Off until somebody switches it on at this device; everything it says stands in
// words too.
//
//   <button type="button" data-sound hidden>Sound is off</button>
"use strict";

(function () {
  const KEPT = "prepdesk-sound";
  const TONES = { right: [[880, 0]], refused: [[330, 0], [330, 0.22]] };
  const LENGTH_S = 0.14;
  let sounding = null;

  function isOn() {
    try {
      return window.localStorage.getItem(KEPT) === "on";
    } catch (error) {
      return false; // Without storage it is on or off for this page alone.
    }
  }

  function show(button, on) {
    button.hidden = false;
    button.setAttribute("aria-pressed", on ? "true" : "false");
    button.textContent = on ? "Sound is on" : "Sound is off";
  }

  function play(kind) {
    const Context = window.AudioContext;
    if (!Context || !TONES[kind]) {
      return;
    }
    sounding = sounding || new Context();
    sounding.resume();
    for (const [pitch, after] of TONES[kind]) {
      const tone = sounding.createOscillator();
      const loudness = sounding.createGain();
      const start = sounding.currentTime + after;
      tone.frequency.value = pitch;
      // No click at either end.
      loudness.gain.setValueAtTime(0, start);
      loudness.gain.linearRampToValueAtTime(0.2, start + 0.01);
      loudness.gain.linearRampToValueAtTime(0, start + LENGTH_S);
      tone.connect(loudness).connect(sounding.destination);
      tone.start(start);
      tone.stop(start + LENGTH_S);
    }
  }

  function begin() {
    for (const button of document.querySelectorAll("[data-sound]")) {
      show(button, isOn());
      button.addEventListener("click", function () {
        const on = button.getAttribute("aria-pressed") !== "true";
        try {
          window.localStorage.setItem(KEPT, on ? "on" : "off");
        } catch (error) {
          // It holds for this page alone.
        }
        show(button, on);
        if (on) {
          play("right");
        }
      });
    }
  }

  document.addEventListener("DOMContentLoaded", begin);
  // The next step, shown without asking the server, has a button of its own.
  document.addEventListener("prepdesk:step", begin);

  document.addEventListener("prepdesk:scanned", function (event) {
    const button = document.querySelector("[data-sound]");
    if (button && button.getAttribute("aria-pressed") === "true") {
      play(event.detail);
    }
  });
})();
