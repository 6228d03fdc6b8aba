// What this browser keeps: the drafts it began and every correction, so that a reload or a lost
// connection loses nothing.
import type {Edit, Options} from "./api";

export interface Kept {
  id: string; name: string; begun: number; options: Options; edits: Edit[]; undone: Edit[];
}

const kKey = "drafts", kMost = 20;

export function all(): Kept[] {
  try {
    const kept = JSON.parse(localStorage.getItem(kKey) ?? "[]") as Kept[];
    return Array.isArray(kept) ? kept : [];
  } catch {
    return [];
  }
}

function put(drafts: Kept[]): void { localStorage.setItem(kKey, JSON.stringify(drafts)); }

export function find(id: string): Kept | undefined { return all().find((d) => d.id === id); }

export function keep(draft: Kept): void {
  put([draft, ...all().filter((d) => d.id !== draft.id)].slice(0, kMost));
}

export function forget(id: string): void { put(all().filter((d) => d.id !== id)); }

export interface LastVehicle { make: string; model: string; years: string; body: string }

export function lastVehicle(): LastVehicle {
  const none = {make: "", model: "", years: "", body: ""};
  try {
    return {...none, ...(JSON.parse(localStorage.getItem("vehicle") ?? "{}") as LastVehicle)};
  } catch {
    return none;
  }
}
export function setLastVehicle(v: LastVehicle): void {
  localStorage.setItem("vehicle", JSON.stringify(v));
}
