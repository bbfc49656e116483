// Codes on our labels, judged without the server in the way of inventory/codes.py: a letter, digits, and a check
// character by ISO/IEC 7064, MOD 37,36. And the commonest ways in which one arrives that was not read rightly;
// inventory/misread.py knows more of them and says so once it hears of it.
"use strict";

window.prepdeskLabelCode = (function () {
  const SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";
  const MODULUS = 36;
  const LENGTH = 7;

  function tidied(typed) {
    return typed.replace(/\s+/g, "").toUpperCase();
  }

  function checks(code) {
    let sum = MODULUS;
    let first = true;
    for (const sign of code) {
      const product = first ? MODULUS : ((sum || MODULUS) * 2) % (MODULUS + 1);
      sum = (product + SIGNS.indexOf(sign)) % MODULUS;
      first = false;
    }
    return sum === 1;
  }

  // Whether a tidied code could stand on one of our labels.
  function isSound(code) {
    return /^[LPAD][0-9]{5,}[0-9A-Z]$/.test(code) && checks(code);
  }

  // Whether a sound code is one of a bottle, and not of a place or a piece of apparatus.
  function isOfBottle(code) {
    return code.startsWith("L") || code.startsWith("D");
  }

  // Why something that was meant as one of our codes is none; empty where nothing speaks for that.
  function whyGarbled(typed) {
    const word = tidied(typed);
    if (/^[0-9]{2,7}-[0-9]{2}-[0-9]$/.test(word)) {
      return ""; // A CAS number.
    }
    if (/^[LPAD][0-9]{1,5}$/.test(word) || /^00[0-9]{0,4}$/.test(word)) {
      return "Only " + word.length + " of " + LENGTH + " signs arrived. Scan it again, or type the code.";
    }
    if (word.length === LENGTH && /^[LPADQ]/.test(word) && !/^[A-Z]+$/.test(word)) {
      return "Its check character is wrong: a sign is wrong or two are swapped. Compare it with the label.";
    }
    if (!/^[0-9A-Z]+$/.test(word) && Math.abs(word.length - LENGTH) <= 1 && !/[.,]/.test(word)) {
      return "Signs arrived that no code has: scanner and device are set to different keyboard layouts.";
    }
    return "";
  }

  return { tidied: tidied, isSound: isSound, isOfBottle: isOfBottle, whyGarbled: whyGarbled };
})();
