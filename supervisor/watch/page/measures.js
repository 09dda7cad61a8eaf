// Units and words for numbers. Inside everything is metric; feet, knots and nautical miles by
// choice. Exact by definition: 1 NM = 1852 m, 1 kt = 1852/3600 m/s, 1 ft = 0.3048 m.

let nautical = false;

export const setNautical = (yes) => { nautical = yes; };
export const isNautical = () => nautical;

const signed = (value, digits = 0) => {
  const text = Math.abs(value).toFixed(digits);
  return Number(text) === 0 ? text : (value < 0 ? "−" : "+") + text;
};

const plain = (value, digits = 0) => (value < 0 && Number(value.toFixed(digits)) !== 0
  ? "−" : "") + Math.abs(value).toFixed(digits);

export const energy = (wh) => (wh === null ? "–" : `${plain(wh)} Wh`);
export const energySigned = (wh) => (wh === null ? "–" : `${signed(wh)} Wh`);
export const number = plain;
export const numberSigned = signed;

export function distance(km) {
  const value = nautical ? km / 1.852 : km;
  return `${plain(value, value < 9.95 ? 1 : 0)} ${nautical ? "NM" : "km"}`;
}
export const distanceUnitM = () => (nautical ? 1852 : 1000);
export const distanceName = () => (nautical ? "NM" : "km");

export const speed = (mps) => (nautical
  ? `${plain(mps * 3600 / 1852)} kt` : `${plain(mps, mps < 9.95 ? 1 : 0)} m/s`);

export const height = (m) => (nautical ? `${plain(m / 0.3048)} ft` : `${plain(m)} m`);

// Never up to certainty nor down to none; as the aircraft's own sentences have it.
export function chance(p) {
  if (p === null) return "unknown";
  if (p > 0.99) return "over 99 %";
  if (p < 0.01) return "under 1 %";
  return `${Math.round(100 * p)} %`;
}

export const bearing = (deg) =>
  `${String(Math.round(((deg % 360) + 360) % 360) % 360).padStart(3, "0")}°`;

export function spell(seconds) {
  const whole = Math.max(Math.floor(seconds), 0);
  if (whole < 60) return `${whole} s`;
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
  if (whole >= 48 * 3600) return `${Math.floor(whole / 86400)} days`;
  const minutes = String(Math.floor((whole % 3600) / 60)).padStart(2, "0");
  return `${Math.floor(whole / 3600)} h ${minutes} min`;
}

// A time still left is rounded down, so that it is never promised longer than it is.
export function minutesLeft(minutes) {
  if (minutes >= 10) return { big: String(Math.floor(minutes)), unit: "min" };
  const seconds = Math.max(Math.floor(minutes * 60), 0);
  if (seconds < 60) return { big: String(seconds), unit: "s" };
  return { big: `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`, unit: "min" };
}

const two = (n) => String(n).padStart(2, "0");
export const utcClock = (ms, seconds = false) => {
  const d = new Date(ms);
  return `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}${seconds ? `:${two(d.getUTCSeconds())}` : ""}`;
};
// The clock time of a turn: with its seconds once they matter.
const SECONDS_MIN = 5;
export const turnClock = (ms, minutes) => utcClock(ms, minutes < SECONDS_MIN);
export const localTurnClock = (ms, minutes) => localClock(ms, minutes < SECONDS_MIN);
export const localClock = (ms, seconds = false) => {
  const d = new Date(ms);
  return `${two(d.getHours())}:${two(d.getMinutes())}${seconds ? `:${two(d.getSeconds())}` : ""}`;
};
