// Sizes in the units that the person asked for.
import type {Size} from "./api";

const kPerInch = 25.4;

export function inInches(): boolean { return localStorage.getItem("units") === "inch"; }
export function setInches(on: boolean): void { localStorage.setItem("units", on ? "inch" : "mm"); }

/// Two digits of the plus-minus, and the value to the same place (JCGM 100, 7.2.6).
function places(u95: number): number {
  if (!(u95 > 0)) return 1;
  return Math.min(3, Math.max(0, 1 - Math.floor(Math.log10(u95))));
}

export function sizeText(mm: Size): {value: string; u95: string; unit: string} {
  const per = inInches() ? kPerInch : 1;
  const digits = places(mm.u95 / per);
  return {value: (mm.value / per).toFixed(digits), u95: (mm.u95 / per).toFixed(digits),
          unit: inInches() ? "in" : "mm"};
}

/// What the program says in half a line, as a sentence of its own.
export function sentence(text: string): string {
  return text.charAt(0).toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
}

export function areaText(mm2: Size): {value: string; u95: string; unit: string} {
  const per = inInches() ? kPerInch * kPerInch * 144 : 1e6;
  const digits = Math.max(2, places(mm2.u95 / per));
  return {value: (mm2.value / per).toFixed(digits), u95: (mm2.u95 / per).toFixed(digits),
          unit: inInches() ? "ft²" : "m²"};
}
