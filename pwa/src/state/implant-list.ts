/**
 * Implants and packages that this tablet holds, as a search by lot goes through them. Pure.
 *
 * What was struck is kept and marked: the coil may be in somebody all the same (HAZ-46).
 */
import { isCivilDate } from '../clinical-rules/civil-date';
import {
  findGroup,
  GROUPS,
  type Group,
  readDevices,
  type Search,
} from '../clinical-rules/implant-search';
import type { LookAlikes } from '../clinical-rules/lot-names';
import type { Json } from '../ports';
import {
  type FoundImplant,
  type HeldImplant,
  type HeldRecords,
  ImplantOwners,
  type Judged,
  textsIn,
  valuesIn,
} from './implant-owners';

const ITEMS: Readonly<Record<string, string>> = {
  coil_placed: 'coil',
  adhesive_injected: 'adhesive',
};
/** What became of a package that went back to the shelf unopened: it counts for nobody. */
export const RETURNED = 'returned';

/** Return the implants with their labels read, each once. */
export function readImplants({ implants, before }: HeldRecords): HeldImplant[] {
  return implants.map((state) => {
    const kind = kindOf(state.record);
    const devices = valuesIn(state, 'device', before).map(partsOf);
    const days = new Set(textsIn(state, 'at', before).map((at) => at.slice(0, 10)));
    const [day = ''] = days;
    // Two days are none: what nobody can tell lies in every period (LT8).
    const on = days.size === 1 && isCivilDate(day) ? day : null;
    const items = textsIn(state, 'item', before);
    const item = ITEMS[kind] ?? (items.length === 1 ? (items[0] ?? null) : null);
    return { state, kind, item, on, readings: readDevices(devices, on) };
  });
}

/** Return what a search finds here: by group, then by day, the latest first. */
export function findImplants(
  held: readonly HeldImplant[],
  records: HeldRecords,
  search: Search,
  lookAlikes: LookAlikes,
): FoundImplant[] {
  const found = new Map<string, { one: HeldImplant; best: Judged }>();
  for (const one of held) {
    const best = judge(one, search, lookAlikes);
    if (best !== null) found.set(one.state.record, { one, best });
  }
  for (const { one, best } of [...found.values()]) {
    // A package is not told beside the coil out of it that is found at least as well.
    const [name = ''] = textsIn(one.state, 'package', records.before);
    const of = found.get(name);
    const isTold = of !== undefined && rank(best.group) <= rank(of.best.group);
    if (isTold && !one.state.isEnteredInError) found.delete(name);
  }
  const people = new ImplantOwners(records);
  const rows = [...found.values()].flatMap(({ one, best }) => people.tell(one, best));
  return rows.sort(inOrder);
}

/** Return every implant of some cases, in the order of their days, whatever its label says. */
export function listImplants(records: HeldRecords): FoundImplant[] {
  const people = new ImplantOwners(records);
  return readImplants(records)
    .flatMap((one) => {
      const [reading] = one.readings;
      if (reading === undefined) return [];
      return people.tell(one, { group: 'same', differs: [], reading });
    })
    .sort(inOrder);
}

/** Return how many patients were found, and further ones of whom nobody knows. */
export function countPatients(rows: readonly FoundImplant[]): { found: number; unknown: number } {
  const groups = new Map<string, 'found' | 'unknown'>();
  for (const one of rows) {
    // Who has no patient is somebody all the same.
    const who = one.patient || one.case || one.record;
    if (one.fate === RETURNED) continue;
    if (one.group !== 'unknown') groups.set(who, 'found');
    else if (!groups.has(who)) groups.set(who, 'unknown');
  }
  const all = [...groups.values()];
  const found = all.filter((one) => one === 'found').length;
  return { found, unknown: all.length - found };
}

/** Finds of one patient in one case; `who` is one of them. */
export interface FindsOfCase {
  key: string;
  who: FoundImplant;
  finds: readonly FoundImplant[];
}

/** Return the finds by patient and case, in the order of the first of each; none is lost. */
export function byCase(rows: readonly FoundImplant[]): FindsOfCase[] {
  const found = new Map<string, FoundImplant[]>();
  for (const one of rows) {
    // What names neither patient nor case stands alone.
    const isNamed = one.patient !== '' || one.case !== '';
    const key = JSON.stringify(isNamed ? [one.patient, one.case] : [one.record]);
    found.set(key, [...(found.get(key) ?? []), one]);
  }
  return [...found].flatMap(([key, finds]) => {
    const [who] = finds;
    return who === undefined ? [] : [{ key, who, finds }];
  });
}

/** Return the reading that fits best, null where none is found. */
function judge(one: HeldImplant, search: Search, lookAlikes: LookAlikes): Judged | null {
  let best: Judged | null = null;
  for (const reading of one.readings) {
    const { group, differs } = findGroup(search, [reading], lookAlikes, one.item, one.on);
    if (group === null || (best !== null && rank(best.group) <= rank(group))) continue;
    best = { group, differs, reading };
  }
  return best;
}

const rank = (group: Group) => GROUPS.indexOf(group);

function inOrder(one: FoundImplant, other: FoundImplant): number {
  const groups = rank(one.group) - rank(other.group);
  if (groups !== 0) return groups;
  if (one.on !== other.on) return one.on < other.on ? 1 : -1;
  const [first, second] = [one, other].map(({ number, patient, record }) =>
    JSON.stringify([number, patient, record]),
  ) as [string, string];
  return first < second ? -1 : first > second ? 1 : 0;
}

function partsOf(value: Json): Readonly<Record<string, unknown>> {
  const isStructure = typeof value === 'object' && value !== null && !Array.isArray(value);
  return isStructure ? (value as Readonly<Record<string, unknown>>) : {};
}

const kindOf = (record: string) => record.slice(0, record.indexOf('/'));
