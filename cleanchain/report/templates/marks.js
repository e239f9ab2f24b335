"use strict";
// What the other scripts share: numbers in words, notes, and the class that shows what is live.
document.documentElement.classList.add("scripted");
const words = {
  minus: (text) => text.replace("-", "\u2212"),
  number: (value, digits) => words.minus((Math.abs(value) < 0.5 * 10 ** -digits ? 0 : value).toFixed(digits)),
  signed: (value, digits) => {
    const text = words.number(value, digits);
    return Number(text) > 0 ? `+${text}` : text;
  },
  time: (seconds) => {
    const whole = Math.floor(seconds / 60);
    return `${whole}:${(seconds - 60 * whole).toFixed(2).padStart(5, "0")}`;
  },
  note: (hz) => {
    const names = ["C", "C\u266f", "D", "D\u266f", "E", "F", "F\u266f", "G", "G\u266f", "A", "A\u266f", "B"];
    const exact = 69 + 12 * Math.log2(hz / 440);
    const nearest = Math.round(exact);
    const cents = Math.round(100 * (exact - nearest));
    const name = names[((nearest % 12) + 12) % 12] + (Math.floor(nearest / 12) - 1);
    return cents ? `${name} ${words.signed(cents, 0)} cents` : name;
  },
  frequency: (hz) => {
    const digits = hz < 100 ? 1 : 0;
    return hz < 10000 ? `${hz.toFixed(digits)} Hz` : `${(hz / 1000).toFixed(2)} kHz`;
  },
  along: (axis, value) => {
    if (axis.kind === "frequency") return `${words.frequency(value)} (${words.note(value)})`;
    return axis.kind === "time" ? words.time(value) : `${words.number(value, axis.digits)} ${axis.unit}`;
  },
};
const scale = {
  value: (axis, part) => axis.kind === "frequency"
    ? axis.low * (axis.high / axis.low) ** part
    : axis.low + (axis.high - axis.low) * part,
  part: (axis, value) => axis.kind === "frequency"
    ? Math.log(value / axis.low) / Math.log(axis.high / axis.low)
    : (value - axis.low) / (axis.high - axis.low),
};
