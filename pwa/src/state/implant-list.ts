/**
 * Implants and packages that this tablet holds, as a search by lot goes through them. Pure.
 *
 * What was struck is kept and marked: the coil may be in somebody all the same (HAZ-46).
 */
import { isCivilDate } from '../clinical-rules/civil-date';
import { daysOf } from '../clinical-rules/implant-days';
import { findByItem, GROUPS, type Group, type Search } from '../clinical-rules/implant-search';
import { readDevices } from '../clinical-rules/label-readings';
import { identifierForm, type LookAlikes } from '../clinical-rules/lot-names';
import type { Json, RecordState } from '../ports';
import {
  type FoundImplant,
  type HeldImplant,
  type HeldRecords,
  ImplantOwners,
  type Judged,
  loopIn,
  textsIn,
  valuesIn,
} from './implant-owners';
import { shown } from './shown';

const ITEMS: Readonly<Record<string, string>> = {
  coil_placed: 'coil',
  adhesive_injected: 'adhesive',
};
/** What became of a package that went back to the shelf unopened: it counts for nobody. */
export const RETURNED = 'returned';

/** Return the implants with their labels read, each once. */
export function readImplants({ implants, cases, before }: HeldRecords): HeldImplant[] {
  const caseDays = new Map(cases.map((one) => [one.record, dayOfCase(one)]));
  return implants.map((state) => {
    const kind = kindOf(state.record);
    const devices = valuesIn(state, 'device', before).map(partsOf);
    const days = new Set(textsIn(state, 'at', before).map((at) => at.slice(0, 10)));
    const [day = ''] = days;
    const on = days.size === 1 && isCivilDate(day) ? day : null;
    // Said, and not to be told: it lies in every period. Not said: the days of its cases count (LT8).
    const said = days.size === 0 ? null : (on ?? '');
    const ofCases = textsIn(state, 'case', before).map((name) => caseDays.get(name) ?? '');
    const items = textsIn(state, 'item', before);
    const item = ITEMS[kind] ?? (items.length === 1 ? (items[0] ?? null) : null);
    const stock = stockOf(state, before);
    const readings = readDevices(devices, on);
    return { state, kind, item, on, days: daysOf(said, ofCases), stock, readings };
  });
}

/** Return the day of a case's procedure, "" where nobody can tell: struck cases, two answers. */
function dayOfCase(state: RecordState): string {
  const day = state.isEnteredInError ? undefined : shown(state, 'procedure_on');
  return typeof day === 'string' ? day : '';
}

/**
 * Return what a search finds here: by group, then by day, the latest first.
 *
 * @param items - the unit's list, which says by what other identifiers an item is labelled
 */
export function findImplants(
  held: readonly HeldImplant[],
  records: HeldRecords,
  search: Search,
  lookAlikes: LookAlikes,
  items: readonly RecordState[] = [],
): FoundImplant[] {
  const shelf = readShelf(items, lookAlikes);
  const searches = [search, ...byOtherIdentifiers(search, shelf)];
  const bearing = itemsBearing(searches, shelf);
  const found = new Map<string, { one: HeldImplant; best: Judged }>();
  for (const one of held) {
    const best = judge(one, searches, lookAlikes, { shelf, bearing });
    if (best !== null) found.set(one.state.record, { one, best });
  }
  for (const { one, best } of [...found.values()]) {
    // A package is not told beside the coil out of it, of its case, that is found at least as well.
    const [name = ''] = textsIn(one.state, 'package', records.before);
    const of = found.get(name);
    if (of === undefined || rank(best.group) > rank(of.best.group)) continue;
    const own = casesOf(one.state, records);
    if (
      casesOf(of.one.state, records).every((name) => own.includes(name)) &&
      !one.state.isEnteredInError
    )
      found.delete(name);
  }
  const people = new ImplantOwners(records);
  const rows = [...found.values()].flatMap(({ one, best }) => people.tell(one, best));
  return rows.sort(inOrder);
}

/**
 * Return what the unit and this tablet found together: of one implant the better find stands, by
 * the label that found it. Whoever the unit alone names for it stays named.
 */
export function joinFinds(
  theirs: readonly FoundImplant[],
  own: readonly FoundImplant[],
): FoundImplant[] {
  const of = (rows: readonly FoundImplant[], record: string) =>
    rows.filter((one) => one.record === record);
  const better = own.filter((one) =>
    of(theirs, one.record).every(({ group }) => rank(one.group) < rank(group)),
  );
  const isNamed = ({ patient }: FoundImplant) => patient !== '';
  const kept = theirs.flatMap((one) => {
    const mine = of(better, one.record);
    const [first] = mine;
    if (first === undefined) return [one];
    if (mine.some((other) => other.case === one.case && other.patient === one.patient)) return [];
    if (mine.some(isNamed)) return [one];
    const { group, differs, identifier, lot, serial, expiresOn } = first;
    return [{ ...one, group, differs, identifier, lot, serial, expiresOn }];
  });
  const isToldOf = (one: FoundImplant) => of(kept, one.record).some(isNamed);
  return [...kept, ...better.filter((one) => isNamed(one) || !isToldOf(one))];
}

/**
 * Return finds of the unit with what it does not tell: the size of a coil as recorded here, else
 * that of its stock item, and that nobody entered a lot. What is not known here either is not told.
 */
export function fillFinds(
  theirs: readonly (FoundImplant & { stock: string })[],
  own: readonly FoundImplant[],
  items: readonly RecordState[],
): FoundImplant[] {
  return theirs.map(({ stock, ...one }) => {
    const here = own.find(({ record }) => record === one.record);
    const lot = one.lot === '' && here?.isLotMissing ? { isLotMissing: true } : {};
    if (one.kind !== 'coil_placed') return { ...one, ...lot };
    const item = items.find(({ record }) => record === stock && stock !== '');
    const [coil = null] = item ? valuesIn(item, 'coil', new Map()) : [];
    const loopUm = here ? here.loopUm : (loopIn(coil) ?? undefined);
    return { ...one, ...lot, ...(loopUm === undefined ? {} : { loopUm }) };
  });
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

/** A stock item as a search takes it: its identifiers by the form under which they are compared. */
interface Stocked {
  record: string;
  kind: string;
  names: ReadonlyMap<string, string>;
  /** Two answers stand, or it was entered in error: it rules nothing out. */
  isDisputed: boolean;
  lookAlikes: LookAlikes;
}

function readShelf(items: readonly RecordState[], lookAlikes: LookAlikes): Stocked[] {
  return items.map((item) => {
    const lists = valuesIn(item, 'identifiers', new Map());
    const names = lists.flatMap((held) =>
      Array.isArray(held) ? held.filter((one) => typeof one === 'string') : [],
    );
    const [kind = '', other] = textsIn(item, 'item', new Map());
    return {
      record: item.record,
      kind: other === undefined ? kind : '',
      names: new Map(names.map((name) => [identifierForm(name, lookAlikes), name])),
      isDisputed: item.isEnteredInError || lists.length > 1,
      lookAlikes,
    };
  });
}

/** Return the search once more for each identifier that the same item bears besides (LT11). */
function byOtherIdentifiers(search: Search, shelf: readonly Stocked[]): Search[] {
  const others = new Map<string, string>();
  for (const { names, lookAlikes } of search.identifier ? shelf : []) {
    const wanted = identifierForm(search.identifier ?? '', lookAlikes);
    if (wanted === '' || !names.has(wanted)) continue;
    for (const [form, name] of names) if (form !== '' && form !== wanted) others.set(form, name);
  }
  return [...others.values()].map((identifier) => ({ ...search, identifier }));
}

/** Return the items that list what is searched for. */
function itemsBearing(searches: readonly Search[], shelf: readonly Stocked[]): Stocked[] {
  return shelf.filter(({ names, lookAlikes }) =>
    searches.some(({ identifier = '' }) => {
      const wanted = identifierForm(identifier, lookAlikes);
      return wanted !== '' && names.has(wanted);
    }),
  );
}

/** Return the reading that fits best, null where none is found. */
function judge(
  one: HeldImplant,
  searches: readonly Search[],
  lookAlikes: LookAlikes,
  { shelf, bearing }: { shelf: readonly Stocked[]; bearing: readonly Stocked[] },
): Judged | null {
  const stocked = one.stock === '' ? undefined : shelf.find(({ record }) => record === one.stock);
  const kinds = bearing.filter(({ isDisputed }) => !isDisputed).map(({ kind }) => kind);
  const of = {
    listed: [...(stocked?.names.values() ?? [])],
    isDisputed: stocked?.isDisputed ?? false,
    kinds: kinds.includes('') ? [] : kinds,
    item: one.item,
  };
  let best: Judged | null = null;
  for (const reading of one.readings) {
    for (const search of searches) {
      for (const on of one.days) {
        const { group, differs } = findByItem(search, [reading], lookAlikes, { ...of, on });
        if (group === null || (best !== null && rank(best.group) <= rank(group))) continue;
        best = { group, differs, reading };
      }
    }
  }
  return best;
}

/** Return the stock item that an implant names itself or by its coil, "" for none or several. */
function stockOf(state: RecordState, before: HeldRecords['before']): string {
  const [coil = null] = valuesIn(state, 'coil', before);
  const ofCoil = partsOf(coil).stock_id;
  const [own = '', other] = textsIn(state, 'stock_id', before);
  const stock = other === undefined ? own || (typeof ofCoil === 'string' ? ofCoil : '') : '';
  return stock === '' || stock.includes('/') ? stock : `stock_item/${stock}`;
}

function casesOf(state: RecordState, { before }: HeldRecords): string[] {
  const cases = textsIn(state, 'case', before);
  return cases.length > 0 ? cases : [''];
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
