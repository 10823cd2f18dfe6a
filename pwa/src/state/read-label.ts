/**
 * What the codes on one package say together: item, lot, serial number, expiry. Pure.
 *
 * A package may carry its device and its lot in two codes; each is read by the rules (DL1-DL10).
 * Nothing is repaired: codes that contradict each other are said, and no field of them is taken.
 */
import { answerDeviceLabel, NO_DEVICE } from '../clinical-rules/device-label';
import { ClinicalRuleError } from '../clinical-rules/errors';
import { checkCharacter } from '../clinical-rules/hibc-label';
import { type LookAlikes, lotForm } from '../clinical-rules/lot-names';
import { withoutLotWord } from '../clinical-rules/lot-words';
import type { RuleBook } from '../clinical-rules/rule-book';
import { saysNoLot } from '../clinical-rules/typed-lots';
import { labelWords } from '../text/label';
import {
  idOf,
  type Json,
  listOf,
  numberOf,
  type RecordState,
  shown,
  structureOf,
  textOf,
} from './shown';

const FIELDS = ['identifier', 'lot', 'serial', 'expiresOn'] as const;
type Field = (typeof FIELDS)[number];

/** What was read; "" where the codes say nothing, or nothing that may be taken. */
export interface LabelReading extends Readonly<Record<Field, string>> {
  /** The codes as scanned, one a line. */
  readonly raw: string;
  /** What is wrong with the codes, one sentence each. */
  readonly problems: readonly string[];
}

export const NOTHING_READ: LabelReading = {
  identifier: '',
  lot: '',
  serial: '',
  expiresOn: '',
  raw: '',
  problems: [],
};

/** One code of a label: its reading, or the sentence that refuses it. */
export type CodeReading =
  | { kind: 'read'; reading: LabelReading }
  | { kind: 'refused'; sentence: string };

/** Read one code. `scanned` is its whole text, FNC1 as U+001D. */
export function readCode(scanned: string, todayOn: string, ruleBook: RuleBook): CodeReading {
  try {
    const found = answerDeviceLabel({ scanned, today_on: todayOn }, ruleBook);
    return {
      kind: 'read',
      reading: {
        identifier: (found.symbology === 'gs1' ? found.gtin : found.hibc_identifier) ?? '',
        lot: found.lot ?? '',
        serial: found.serial ?? '',
        expiresOn: found.expires_on ?? '',
        raw: scanned,
        problems: found.problems,
      },
    };
  } catch (error) {
    if (error instanceof ClinicalRuleError) return { kind: 'refused', sentence: error.message };
    throw error;
  }
}

/** Return what the codes of one package say together; those that are no label are left out. */
export function readLabel(
  codes: readonly string[],
  todayOn: string,
  ruleBook: RuleBook,
): LabelReading {
  const read = [...new Set(codes)]
    .map((code) => readCode(code, todayOn, ruleBook))
    .flatMap((one) => (one.kind === 'read' ? [one.reading] : []));
  const raw = read.map((one) => one.raw).join('\n');
  const said = (field: Field) => new Set(read.map((one) => one[field]).filter((one) => one !== ''));
  const torn = FIELDS.find((field) => said(field).size > 1);
  if (torn !== undefined || !areLinked(read)) {
    const sentence = torn === undefined ? labelWords.notLinked : labelWords.differ(torn);
    return { ...NOTHING_READ, raw, problems: [sentence] };
  }
  const together = Object.fromEntries(FIELDS.map((field) => [field, [...said(field)][0] ?? '']));
  const problems = [...new Set(read.flatMap((one) => one.problems))];
  return {
    ...NOTHING_READ,
    ...together,
    raw,
    // The other code of the package has named it meanwhile.
    problems: problems.filter((one) => one !== NO_DEVICE || together.identifier === ''),
  };
}

/** Return what the codes and a line that was typed say together; of two answers none is taken. */
export function joinReadings(scanned: LabelReading, line: LabelReading): LabelReading {
  if (line.identifier === '' && line.raw === '') {
    return { ...scanned, problems: [...scanned.problems, ...line.problems] };
  }
  const raw = scanned.raw || line.raw;
  const torn = FIELDS.find(
    (field) => scanned[field] !== '' && line[field] !== '' && scanned[field] !== line[field],
  );
  if (torn !== undefined) return { ...NOTHING_READ, raw, problems: [labelWords.differ(torn)] };
  const problems = [...new Set([...scanned.problems, ...line.problems])];
  const identifier = scanned.identifier || line.identifier;
  return {
    identifier,
    lot: scanned.lot || line.lot,
    serial: scanned.serial || line.serial,
    expiresOn: scanned.expiresOn || line.expiresOn,
    raw,
    problems: problems.filter((one) => one !== NO_DEVICE || identifier === ''),
  };
}

/**
 * Say whether each HIBC secondary code carries the check character of the primary that was read
 * with it: the link by which the two are told to be of one package (ANSI/HIBC 2.6).
 */
function areLinked(read: readonly LabelReading[]): boolean {
  const bodies = read.map(({ raw }) => raw.slice(raw.startsWith(']') ? 3 : 0));
  const hibc = bodies.filter((body) => body.startsWith('+'));
  const primaries = hibc.filter((body) => /^\+[A-Z][^/]*$/.test(body));
  const links = hibc.filter((body) => !/^\+[A-Z]/.test(body)).map((body) => body.at(-2));
  return primaries.every((body) => {
    const link = checkCharacter(body.slice(0, -1));
    return links.every((one) => one === link);
  });
}

/**
 * Return the items of the unit's list that a label names: by their identifiers, by a lot's, or by
 * what packages with this identifier were delivered as.
 */
export function itemsNamed(
  { identifier }: Pick<LabelReading, 'identifier'>,
  items: readonly RecordState[],
  movements: readonly RecordState[],
): RecordState[] {
  if (identifier === '') return [];
  const delivered = movements.filter((one) => shown(one, 'reason') === 'delivered');
  const isNamed = (label: Label) => label?.identifier === identifier;
  const named = itemsWith(isNamed, items, delivered);
  return items.filter(
    (item) =>
      named.includes(item) ||
      (!item.isEnteredInError && listOf(item, 'identifiers').includes(identifier)),
  );
}

/**
 * Return the items of the unit's list that a lot is known as: by their own lots, or by what
 * packages of it were delivered or counted as. Look-alikes are one lot, as where it is searched
 * for (LT2).
 */
export function itemsOfLot(
  lot: string,
  items: readonly RecordState[],
  movements: readonly RecordState[],
  lookAlikes: LookAlikes,
): RecordState[] {
  const form = lotForm(lot, lookAlikes);
  if (form === '') return [];
  const isOfLot = (label: Label) =>
    typeof label?.lot === 'string' && lotForm(label.lot, lookAlikes) === form;
  const came = movements.filter((one) => {
    const isCounted = shown(one, 'reason') === 'counted' && (numberOf(one, 'change') ?? 0) > 0;
    return isCounted || shown(one, 'reason') === 'delivered';
  });
  return itemsWith(isOfLot, items, came);
}

type Label = { readonly [part: string]: Json } | null;

/** Items with a lot of their own, or a movement, whose label is meant; none entered in error. */
function itemsWith(
  isMeant: (label: Label) => boolean,
  items: readonly RecordState[],
  movements: readonly RecordState[],
): RecordState[] {
  const moved = new Set(
    movements
      .filter((one) => !one.isEnteredInError && isMeant(structureOf(one, 'device')))
      .map((one) => idOf(textOf(one, 'stock'))),
  );
  return items.filter(
    (item) =>
      !item.isEnteredInError &&
      (moved.has(idOf(item.record)) ||
        listOf(item, 'lots').some((one) => isMeant(labelOfLot(one)))),
  );
}

/** A lot of an item's list as a label: one that stands there as a word tells nothing else. */
function labelOfLot(lot: Json): Label {
  if (typeof lot === 'string') return { lot };
  const isStructure = typeof lot === 'object' && lot !== null && !Array.isArray(lot);
  return isStructure ? (lot as Record<string, Json>) : null;
}

/** Return a device as the record holds it; the lot that nobody can read is a value of its own. */
export function deviceOfLabel(reading: LabelReading, isLotUnknown: boolean): Record<string, Json> {
  const { identifier, lot, serial, expiresOn, raw } = reading;
  return {
    ...(identifier === '' ? {} : { identifier }),
    ...(lot === '' ? {} : { lot }),
    ...(lot === '' && isLotUnknown ? { lot_unknown: true } : {}),
    ...(serial === '' ? {} : { serial }),
    ...(expiresOn === '' ? {} : { expires_on: expiresOn }),
    ...(raw === '' ? {} : { raw_label: raw }),
  };
}

/** What a person types from a package. */
export interface TypedLabel {
  lot: string;
  serial: string;
  /** As on the package: `2027-04` or `2027-04-30`. */
  expiry: string;
}

export const NOTHING_TYPED: TypedLabel = { lot: '', serial: '', expiry: '' };

const LONGEST = 20;

/**
 * Return what was typed as a reading; what cannot be taken is said and left out. The word for lot
 * is no part of it (LT12), and a word for "nobody knows" is no lot: it would count as known (LT13).
 */
export function readTyped(typed: TypedLabel): LabelReading {
  const expiry = typed.expiry.trim();
  const expiresOn = lastDayOf(expiry);
  const names = (['lot', 'serial'] as const).map((field) => {
    const text = typed[field].trim();
    const name = field === 'lot' ? withoutLotWord(text) : text;
    const doubt = saysNoLot(text)
      ? [labelWords.saysUnknown(field, text)]
      : name.length > LONGEST
        ? [labelWords.tooLong(field, LONGEST)]
        : [];
    return { name: doubt.length > 0 ? '' : name, doubt };
  });
  return {
    ...NOTHING_READ,
    lot: names[0]?.name ?? '',
    serial: names[1]?.name ?? '',
    expiresOn,
    problems: [
      ...names.flatMap(({ doubt }) => doubt),
      ...(expiry !== '' && expiresOn === '' ? [labelWords.noDate] : []),
    ],
  };
}

/** Return the civil date that is meant, "" for none: a month counts to its last day (DL3). */
function lastDayOf(written: string): string {
  const found = /^(\d{4})-(\d{2})(?:-(\d{2}))?$/.exec(written);
  if (found === null) return '';
  const [year, month] = [Number(found[1]), Number(found[2])];
  if (month < 1 || month > 12 || year < 2000) return '';
  const last = new Date(Date.UTC(year, month, 0)).getUTCDate();
  const day = found[3] === undefined ? last : Number(found[3]);
  if (day < 1 || day > last) return '';
  return `${found[1]}-${found[2]}-${String(day).padStart(2, '0')}`;
}
