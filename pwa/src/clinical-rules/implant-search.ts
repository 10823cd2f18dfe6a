/**
 * Which implants a search finds, each in its group: same, look-alike, near, by its item, not known.
 * Twin of `implant_search.py`.
 */
import { isCivilDate } from './civil-date';
import { ShapeError } from './errors';
import { daysOf, isWithin } from './implant-days';
import { type Reading, readDevices } from './label-readings';
import {
  compareIdentifiers,
  compareLots,
  findIdentifierDoubt,
  hasOtherScript,
  identifierForm,
  type LookAlikes,
  plainForm,
  plainName,
  readLookAlikes,
  readTraceFile,
  type Verdict,
} from './lot-names';
import { saysUnknown } from './lot-words';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { civilDate, flag, listOf, oneOf, shape, text } from './shapes';

/** "shelf": the label was not read, and the item that was taken from the shelf is the one (LT16). */
export const GROUPS = ['same', 'alike', 'near', 'shelf', 'unknown'] as const;
export type Group = (typeof GROUPS)[number];
/** How names compare, the best first. */
const VERDICTS = ['same', 'alike', 'near', 'unknown', 'different'] as const satisfies Verdict[];
const ITEMS = ['coil', 'needle', 'adhesive'] as const;
export type Item = (typeof ITEMS)[number];
/** More lots take more memory than a unit server can spare (project default, as for a hub, NL9). */
const MOST_LOTS = 200;

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
const readImplant = shape(
  { devices: listOf(readDeviceShape) },
  { item: text, on: text, case_days: listOf(text), listed: listOf(text) },
);
const readRequest = shape(
  { search: readSearch, implants: listOf(readImplant) },
  { kinds: listOf(text) },
);

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
 * Return the group of each implant. Rules LT1-LT10, LT12, LT13, LT15, LT16.
 *
 * @param request - parsed JSON with `search`, `implants` and `kinds`, as RULES.md (LT) has them
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
    found: read.implants.map(({ devices, item = null, on = null, case_days = [], listed = [] }) =>
      best(
        daysOf(on, case_days).map((day) =>
          findByItem(search, readDevices(devices, on), lookAlikes, {
            listed,
            kinds: read.kinds ?? [],
            item,
            on: day,
          }),
        ),
      ),
    ),
    cautions: findCautions(search),
    rule_files: nameRuleFiles(stated),
  };
}

/**
 * Return a search from what was read; empty text counts as left out.
 *
 * @throws ShapeError when nothing is searched for, or by more than 200 lots; when a name has no
 * letter or digit, or says that nobody knows it; or when a range is turned round
 */
export function makeSearch(read: Search): Search {
  const { serial, identifier, ...others } = read;
  const lots = (read.lots ?? []).filter((lot) => lot !== '');
  if (lots.length > MOST_LOTS) {
    throw new ShapeError(
      `search.lots holds ${lots.length} lots, and at most ${MOST_LOTS} are searched for at once. ` +
        'Search for them in parts.',
    );
  }
  const names = { ...(serial && { serial }), ...(identifier && { identifier }) };
  const each = [...lots.map((lot) => ['lots', lot] as const), ...Object.entries(names)];
  for (const [key, name] of each) {
    if (plainForm(name) === '' && !hasOtherScript(name)) {
      throw new ShapeError(`search.${key} has no letter or digit. Enter it as the label has it.`);
    }
    if (saysUnknown(plainName(name))) {
      throw new ShapeError(
        `search.${key} holds a word for not known. Enter it as the label has it: what nobody ` +
          'knows is listed by every search.',
      );
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
  const found = best(readings.map((reading) => judge(search, reading, lookAlikes)));
  if (found.group === 'unknown' && !isWithin(on, search.from_on, search.to_on)) {
    return { group: null, differs: [] };
  }
  return found;
}

/** What is known of an implant beside its labels. */
export interface OfShelf {
  /** By which identifiers its stock item is labelled. */
  listed: readonly string[];
  /** Two answers stand about these: they find the implant and rule nothing out. */
  isDisputed?: boolean;
  /** Of which kinds the items are that list what is searched for; empty where none does. */
  kinds: readonly string[];
  item: string | null;
  on: string | null;
}

/** Return where an implant belongs by its labels, else by its stock item (LT16). */
export function findByItem(
  search: Search,
  readings: readonly Reading[],
  lookAlikes: LookAlikes,
  { listed, isDisputed = false, kinds, item, on }: OfShelf,
): Finding {
  const find = (reading: Reading) => findGroup(search, [reading], lookAlikes, item, on);
  const isOtherKind = kinds.length > 0 && item !== null && isItem(item) && !kinds.includes(item);
  const found = readings.map((reading): Finding => {
    const own = find(reading);
    const isNamed = identifierForm(reading.identifier ?? '', lookAlikes) !== '';
    if (isNamed || !isLedByIdentifier(search)) return own;
    const groups = listed.map((identifier) => find({ ...reading, identifier }).group);
    if (groups.some((group) => group !== null && group !== 'unknown')) {
      return { group: 'shelf', differs: [] };
    }
    const isOther = groups.length > 0 && !isDisputed && groups.every((group) => group === null);
    return isOtherKind || isOther ? { group: null, differs: [] } : own;
  });
  return best(found);
}

function best(found: readonly Finding[]): Finding {
  return found.reduce((first, one) => (rank(one.group) < rank(first.group) ? one : first), {
    group: null,
    differs: [],
  });
}

const isItem = (item: string) => (ITEMS as readonly string[]).includes(item);

/** Say whether neither a lot nor a serial number is searched by, and an identifier is (LT10). */
export function isLedByIdentifier({ lots = [], serial, identifier }: Search): boolean {
  return lots.length === 0 && serial === undefined && identifier !== undefined;
}

const rank = (group: Group | null) => (group === null ? GROUPS.length : GROUPS.indexOf(group));

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
    verdicts.push(['lot', VERDICTS.find((one) => each.includes(one)) ?? 'different']);
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
  return GROUPS.findLast((group) => group !== 'shelf' && known.includes(group)) ?? 'near';
}
