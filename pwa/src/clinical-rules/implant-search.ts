/**
 * Which implants a search finds, each in its group: the same, look-alikes, near, not known.
 * Twin of `implant_search.py`.
 */
import { isCivilDate } from './civil-date';
import { type DeviceLabelAnswer, readDeviceLabel } from './device-label';
import { CalculationRefusedError, ShapeError } from './errors';
import {
  compareIdentifiers,
  compareLots,
  findIdentifierDoubt,
  hasOtherScript,
  type LookAlikes,
  plainForm,
  readLookAlikes,
  readTraceFile,
  type Verdict,
} from './lot-names';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { civilDate, flag, listOf, oneOf, shape, text } from './shapes';

export const GROUPS = ['same', 'alike', 'near', 'unknown'] as const;
export type Group = (typeof GROUPS)[number];
const ITEMS = ['coil', 'needle', 'adhesive'] as const;
export type Item = (typeof ITEMS)[number];
/** A two-digit year of a label whose implant bears no day is read as seen from here (DL4). */
const SEEN_FROM_ON = '2026-01-01';

const readDeviceShape = shape(
  {},
  {
    identifier: text,
    lot: text,
    lot_unknown: flag,
    serial: text,
    expires_on: text,
    raw_label: text,
  },
);
const readSearch = shape(
  {},
  {
    lots: listOf(text),
    serial: text,
    identifier: text,
    expires_from: civilDate,
    expires_to: civilDate,
    item: oneOf(...ITEMS),
    from_on: civilDate,
    to_on: civilDate,
  },
);
const readRequest = shape({
  search: readSearch,
  implants: listOf(shape({ devices: listOf(readDeviceShape) }, { item: text, on: text })),
});

/** One answer to what device it was; null for what nobody knows. */
export interface Reading {
  readonly identifier: string | null;
  readonly lot: string | null;
  readonly serial: string | null;
  readonly expires_on: string | null;
}
const NAMES = ['identifier', 'lot', 'serial', 'expires_on'] as const;
const NOTHING: Reading = { identifier: null, lot: null, serial: null, expires_on: null };

/** What is searched for. The period, both days included, bounds the unknown alone (LT8). */
export type Search = ReturnType<typeof readSearch>;

type Searched = 'lot' | 'serial' | 'identifier' | 'expires_on';

/** The group of an implant, null where it is not found, and in what else it differs. */
export interface Finding {
  group: Group | null;
  differs: Searched[];
}

export interface ImplantSearchAnswer {
  found: Finding[];
  cautions: string[];
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return the group of each implant. Rules LT1-LT10.
 *
 * @param request - parsed JSON with `search` and `implants`, as RULES.md (LT) has them
 * @param ruleBook - holds `trace/default`, which counts also while nobody has approved it
 * @throws ShapeError when a key or type is wrong, or nothing is searched for; RuleFileError when
 * the look-alikes contradict each other
 */
export function answerImplantSearch(request: unknown, ruleBook: RuleBook): ImplantSearchAnswer {
  const read = readRequest(request, '');
  const search = makeSearch(read.search);
  const stated = readTraceFile(ruleBook);
  const lookAlikes = readLookAlikes(stated);
  return {
    found: read.implants.map(({ devices, item, on }) =>
      findGroup(search, readDevices(devices, on ?? null), lookAlikes, item ?? null, on ?? null),
    ),
    cautions: findCautions(search),
    rule_files: nameRuleFiles(stated),
  };
}

/**
 * Return a search from what was read; empty text counts as left out.
 *
 * @throws ShapeError when nothing is searched for, a name has no letter or digit, or a range is
 * turned round
 */
export function makeSearch(read: Search): Search {
  const { serial, identifier, ...others } = read;
  const lots = (read.lots ?? []).filter((lot) => lot !== '');
  const names = { ...(serial && { serial }), ...(identifier && { identifier }) };
  const each = [...lots.map((lot) => ['lots', lot] as const), ...Object.entries(names)];
  for (const [key, name] of each) {
    if (plainForm(name) === '' && !hasOtherScript(name)) {
      throw new ShapeError(`search.${key} has no letter or digit. Enter it as the label has it.`);
    }
  }
  for (const [first, last] of [
    ['expires_from', 'expires_to'],
    ['from_on', 'to_on'],
  ] as const) {
    const [from, to] = [read[first], read[last]];
    if (from !== undefined && to !== undefined && from > to) {
      throw new ShapeError(`search.${last} lies before search.${first}. Correct one of them.`);
    }
  }
  const search: Search = { ...others, ...names, lots };
  if (each.length === 0 && !hasExpiry(search)) {
    throw new ShapeError(
      'The search names nothing to search by. Give a lot, a serial number, an identifier or ' +
        'expiry dates.',
    );
  }
  return search;
}

/** Return what is doubtful about a search that was made all the same. */
export function findCautions({ identifier }: Search): string[] {
  const doubt = identifier === undefined ? null : findIdentifierDoubt(identifier);
  return doubt === null ? [] : [doubt];
}

/**
 * Return every answer to what an implant is, at least one (LT6, LT7).
 *
 * @param devices - what stands in the record: one, several where answers differ, none where nobody
 * said
 * @param on - its day, for the century of a date on a label
 */
export function readDevices(
  devices: readonly Readonly<Record<string, unknown>>[],
  on: string | null,
): Reading[] {
  const found = new Map<string, Reading>();
  for (const device of devices) {
    for (const one of readDevice(device, on)) {
      const key = JSON.stringify(NAMES.map((name) => one[name]));
      if (!found.has(key)) found.set(key, one);
    }
  }
  return found.size > 0 ? [...found.values()] : [NOTHING];
}

/** Return where an implant belongs: of several readings the one that fits best counts (LT7). */
export function findGroup(
  search: Search,
  readings: readonly Reading[],
  lookAlikes: LookAlikes,
  item: string | null = null,
  on: string | null = null,
): Finding {
  const isOther = (ITEMS as readonly (string | null)[]).includes(item) && item !== search.item;
  if (search.item !== undefined && isOther) return { group: null, differs: [] };
  let best: Finding | null = null;
  for (const reading of readings) {
    const found = judge(search, reading, lookAlikes);
    if (best === null || rank(found.group) < rank(best.group)) best = found;
  }
  if (best === null) return { group: null, differs: [] };
  if (best.group === 'unknown' && !isWithin(on, search.from_on, search.to_on)) {
    return { group: null, differs: [] };
  }
  return best;
}

const rank = (group: Group | null) => (group === null ? GROUPS.length : GROUPS.indexOf(group));

function readDevice(device: Readonly<Record<string, unknown>>, on: string | null): Reading[] {
  const written: Reading = {
    identifier: textIn(device.identifier),
    lot: textIn(device.lot),
    serial: textIn(device.serial),
    expires_on: textIn(device.expires_on),
  };
  const raw = textIn(device.raw_label);
  if (raw === null) return [written];
  let answer: DeviceLabelAnswer;
  try {
    answer = readDeviceLabel(raw, on !== null && isCivilDate(on) ? on : SEEN_FROM_ON);
  } catch (error) {
    if (error instanceof CalculationRefusedError) return [written];
    throw error;
  }
  const label: Reading = {
    identifier: textIn(answer.gtin ?? answer.hibc_identifier),
    lot: textIn(answer.lot),
    serial: textIn(answer.serial),
    expires_on: textIn(answer.expires_on),
  };
  return [fill(written, label), fill(label, written)];
}

function fill(first: Reading, then: Reading): Reading {
  return {
    identifier: first.identifier ?? then.identifier,
    lot: first.lot ?? then.lot,
    serial: first.serial ?? then.serial,
    expires_on: first.expires_on ?? then.expires_on,
  };
}

function judge(search: Search, reading: Reading, lookAlikes: LookAlikes): Finding {
  const verdicts = compareAll(search, reading, lookAlikes);
  const differs = verdicts.filter(([, one]) => one === 'different').map(([key]) => key);
  const all = verdicts.map(([, one]) => one);
  const known = all.filter((one) => one !== 'unknown');
  const named = verdicts.filter(([key]) => key === 'lot' || key === 'serial').map(([, one]) => one);
  const isHit = named.some((one) => one !== 'unknown' && one !== 'different');
  let group: Group | null;
  if (named.length > 0 && isHit) group = differs.length > 0 ? 'near' : worst(known);
  else if (named.length > 0) group = named[0] === 'unknown' ? 'unknown' : null;
  else if (differs.length > 0) group = null;
  else group = all.includes('unknown') ? 'unknown' : worst(known);
  return { group, differs: group === null ? [] : differs };
}

/** Return how each thing searched for fits, in the order in which they count. */
function compareAll(
  search: Search,
  reading: Reading,
  lookAlikes: LookAlikes,
): [Searched, Verdict][] {
  const verdicts: [Searched, Verdict][] = [];
  const lots = search.lots ?? [];
  if (lots.length > 0) {
    const each = lots.map((lot) => compareLots(lot, reading.lot ?? '', lookAlikes));
    const order: readonly Verdict[] = [...GROUPS, 'different'];
    verdicts.push(['lot', order.find((one) => each.includes(one)) ?? 'different']);
  }
  if (search.serial !== undefined) {
    verdicts.push(['serial', compareLots(search.serial, reading.serial ?? '', lookAlikes)]);
  }
  if (search.identifier !== undefined) {
    const held = reading.identifier ?? '';
    verdicts.push(['identifier', compareIdentifiers(search.identifier, held, lookAlikes)]);
  }
  if (hasExpiry(search)) {
    const day = reading.expires_on;
    if (day === null || !isCivilDate(day)) verdicts.push(['expires_on', 'unknown']);
    else {
      const isIn = isWithin(day, search.expires_from, search.expires_to);
      verdicts.push(['expires_on', isIn ? 'same' : 'different']);
    }
  }
  return verdicts;
}

function hasExpiry({ expires_from: from, expires_to: to }: Search): boolean {
  return from !== undefined || to !== undefined;
}

function worst(known: readonly Verdict[]): Group {
  return GROUPS.findLast((group) => known.includes(group)) ?? 'near';
}

/** Say whether a day lies within two days; one that is no day may lie anywhere. */
function isWithin(on: string | null, first?: string, last?: string): boolean {
  if (on === null || !isCivilDate(on)) return true;
  return (first === undefined || first <= on) && (last === undefined || on <= last);
}

function textIn(value: unknown): string | null {
  return typeof value === 'string' && value !== '' ? value : null;
}
