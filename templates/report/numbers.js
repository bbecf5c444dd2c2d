"use strict";

/* Numbers: rounding as in doe/report/numbers.py, Student's t, and arrays that came as base64. */

const MINUS = "\u2212", TIE = "\u00a0", HAIR_LESS = 1e-9;

const finite = (value) => value !== null && Number.isFinite(value);

/* Power of ten of the second significant digit of an uncertainty (GUM 7.2.6); null where there is none. */
function placeOf(uncertainty) {
  if (!finite(uncertainty) || uncertainty === 0) return null;
  return Math.floor(Math.log10(Number(Math.abs(uncertainty).toPrecision(2)))) - 1;
}

const signed = (text) => text.replace(/^-(?=.*[1-9])/, MINUS).replace(/^-/, "");

function atPlace(value, place) {
  if (!finite(value)) return "n/a";
  if (place === null) return signed(String(Number(value.toPrecision(4))));
  if (place > 0) { const unit = 10 ** place; return signed(String(Math.round(value / unit) * unit)); }
  return signed(value.toFixed(Math.min(-place, 12)));
}

const exactly = (value) => typeof value === "string" ? value : signed(String(Number(value.toPrecision(6))));
const withUnit = (text, unit) => unit ? text + TIE + unit : text;
const tied = (text) => text.replaceAll(" %", TIE + "%");

/* A predicted share: one decimal, never all or none; a bound is rounded down. */
function percent(share, down) {
  const tenths = down ? Math.floor(share * 1000 + HAIR_LESS) : Math.round(share * 1000);
  if (tenths >= 1000) return ">" + TIE + "99.9" + TIE + "%";
  if (tenths <= 0) return "<" + TIE + "0.1" + TIE + "%";
  return (tenths / 10).toFixed(1) + TIE + "%";
}

function packed(text, kind) {
  const letters = atob(text), bytes = new Uint8Array(letters.length);
  for (let i = 0; i < letters.length; i += 1) bytes[i] = letters.charCodeAt(i);
  return new kind(bytes.buffer);
}

/* Logarithm of the gamma function, after Lanczos (g = 7, nine terms). */
const LANCZOS = [0.99999999999980993, 676.5203681218851, -1259.1392167224028, 771.32342877765313, -176.61502916214059,
  12.507343278686905, -0.13857109526572012, 9.9843695780195716e-6, 1.5056327351493116e-7];
function logGamma(x) {
  if (x < 0.5) return Math.log(Math.PI / Math.sin(Math.PI * x)) - logGamma(1 - x);
  const base = x + 6.5;
  let sum = LANCZOS[0];
  for (let i = 1; i < 9; i += 1) sum += LANCZOS[i] / (x - 1 + i);
  return 0.5 * Math.log(2 * Math.PI) + (x - 0.5) * Math.log(base) - base + Math.log(sum);
}

/* The continued fraction of the incomplete beta function, by Lentz's method. */
function betaFraction(x, a, b) {
  const least = 1e-300;
  let c = 1, d = 1 / keepOff(1 - (a + b) * x / (a + 1)), result = d;
  function keepOff(value) { return Math.abs(value) < least ? least : value; }
  for (let m = 1; m < 20000; m += 1) {
    for (const term of [m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)), -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))]) {
      d = 1 / keepOff(1 + term * d);
      c = keepOff(1 + term / c);
      result *= d * c;
    }
    if (Math.abs(d * c - 1) < 1e-15) break;
  }
  return result;
}

/* Regularised incomplete beta function; rest is 1 - x, given so that no digit is lost. */
function betaShare(x, rest, a, b) {
  if (x <= 0) return 0;
  if (rest <= 0) return 1;
  const front = Math.exp(logGamma(a + b) - logGamma(a) - logGamma(b) + a * Math.log(x) + b * Math.log(rest));
  return x < (a + 1) / (a + b + 2) ? front * betaFraction(x, a, b) / a : 1 - front * betaFraction(rest, b, a) / b;
}

/* Share of Student's t beyond |t| on one side. */
const tTail = (t, dof) => 0.5 * betaShare(dof / (dof + t * t), t * t / (dof + t * t), dof / 2, 0.5);
const tShare = (t, dof) => t >= 0 ? 1 - tTail(t, dof) : tTail(t, dof);

/* How many standard errors a two-sided interval of a level reaches. */
function tReach(level, degrees) {
  const dof = Math.min(degrees, 1e7), tail = (1 - level) / 2;
  let low = -20, high = 60;
  for (let i = 0; i < 100; i += 1) {
    const middle = (low + high) / 2;
    if (tTail(Math.exp(middle), dof) > tail) low = middle; else high = middle;
  }
  return Math.exp((low + high) / 2);
}
