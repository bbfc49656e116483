// Numbers as people type them, judged exactly and in the words of the server: whole digits and a power of
// ten, never a binary fraction. What is read here is what prepdesk/calc/typed.py reads, and a reading equal
// to a bound is inside, as in prepdesk/calc/settle.py.
"use strict";

window.prepdeskExact = (function () {
  const MOST_CHARACTERS = 40;
  const MOST_POWER = 30;
  const PATTERN = /^([+-]?)([0-9]*)(?:[.,]([0-9]*))?(?:[eE]([+-]?[0-9]{1,4}))?$/;

  // A number is { text, digits, power }: digits times ten to the power. Otherwise { refusal } in words.
  function read(typed) {
    if (typed.length > MOST_CHARACTERS) {
      return { refusal: "That is longer than " + MOST_CHARACTERS + " characters; type a plain number." };
    }
    const text = typed.trim();
    const bare = text.replace(/[ \t\u00a0\u2009\u202f]/g, "").replace(/[\u2212\u2013]/g, "-");
    if (!bare) {
      return { refusal: "Type a number, for example 2.50." };
    }
    if ((bare.match(/[.,]/g) || []).length > 1) {
      return { refusal: "“" + text + "” has more than one comma or point. Use one, before the decimals: 2500.5 or 2500,5." };
    }
    const found = PATTERN.exec(bare);
    if (!found || !(found[2] || found[3])) {
      return { refusal: "“" + text + "” is not a number. Type digits, for example 2.50 or 2,50." };
    }
    const decimals = found[3] || "";
    const power = Number(found[4] || 0);
    const digits = BigInt((found[1] === "-" ? "-" : "") + ((found[2] || "") + decimals));
    const highest = digits.toString().replace("-", "").length - 1 + power - decimals.length;
    if (Math.abs(power) > MOST_POWER || (digits !== 0n && Math.abs(highest) > MOST_POWER)) {
      return { refusal: "“" + text + "” is out of range; the power of ten must lie between -30 and 30." };
    }
    if (digits <= 0n) {
      return { refusal: "“" + text + "” must be more than zero." };
    }
    return { text: text, digits: digits, power: power - decimals.length };
  }

  // The difference of two numbers, as digits times ten to the lower of their powers.
  function minus(one, other) {
    const power = Math.min(one.power, other.power);
    const whole = function (number) {
      return number.digits * 10n ** BigInt(number.power - power);
    };
    return { digits: whole(one) - whole(other), power: power };
  }

  function write(number) {
    if (number.power >= 0) {
      return (number.digits * 10n ** BigInt(number.power)).toString();
    }
    const digits = number.digits.toString().padStart(1 - number.power, "0");
    return digits.slice(0, number.power) + "." + digits.slice(number.power);
  }

  // What to say of a reading outside its window; empty for one inside.
  function outside(reading, low, high, unit) {
    const over = minus(reading, read(high));
    const under = minus(read(low), reading);
    if (over.digits <= 0n && under.digits <= 0n) {
      return "";
    }
    const above = over.digits > 0n;
    return "Outside by " + write(above ? over : under) + " " + unit + ": " + reading.text + " " + unit + " is " + (above ? "above " + high : "below " + low) + " " + unit + ".";
  }

  return { read: read, outside: outside };
})();
