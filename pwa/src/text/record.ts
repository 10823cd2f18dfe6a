/** Plain words for the fields of the record and what they hold: by kind, field and part. */
import type { Json } from '../state/shown';
import { dayWords } from '../state/surveillance-dates';
import { type Choice, choices, forRecord, midSentence, say, words } from './say';

const said = words('record');
type Words = Readonly<Record<string, string>>;
type WordsByName = Readonly<Record<string, Words>>;
const FIELDS: WordsByName = said.fields;
const VALUES: Readonly<Record<string, WordsByName>> = said.values;
const PARTS: Words = said.parts;
const PART_VALUES: WordsByName = said.partValues;

/** Why a screen itself did something, as the record keeps it; said by `retell`. */
export const kept = {
  undone: forRecord('record.kept.undone'),
  inError: forRecord('record.kept.inError'),
  complication: forRecord('record.kept.complication'),
  recomputed: forRecord('record.kept.recomputed'),
  didNotCome: forRecord('record.kept.didNotCome'),
};

/** An own property: a record may name anything, "constructor" too. */
function at<Held>(group: Readonly<Record<string, Held>> | undefined, key: string) {
  return group !== undefined && Object.hasOwn(group, key) ? group[key] : undefined;
}

/** Return the kind of a record, the part before its id. */
export function kindOf(record: string): string {
  return record.split('/', 1)[0] ?? '';
}

/**
 * Return a field's name in plain words; its id, made readable, where the catalogue has none.
 *
 * @param kind - of the record; "" where only the field is known
 */
export function fieldWords(field: string, kind = ''): string {
  const known = at(at(FIELDS, kind), field) ?? at(FIELDS.any, field) ?? at(PARTS, field);
  if (known !== undefined) return known;
  const plain = field.replace(/_(um|ul|ms|milli|mmhg|bpm|on|at|g)$/, '').replaceAll('_', ' ');
  return plain.charAt(0).toUpperCase() + plain.slice(1);
}

/** Return the answers a field can hold, in the order of the catalogue of the record. */
export function fieldChoices(kind: string, field: string): readonly Choice[] {
  return choices(at(at(VALUES, kind), field) ?? {});
}

/**
 * Return what a field holds in plain words, units beside digits.
 *
 * @param field - tells the unit of a number and the choice an id belongs to
 * @param kind - of the record; "" where only the field is known
 */
export function valueWords(value: Json | undefined, field = '', kind = ''): string {
  if (value === undefined || value === null || value === '') return said.nothing;
  if (typeof value === 'boolean') return value ? said.yes : said.no;
  if (typeof value === 'number') return amountWords(value, field);
  if (typeof value === 'string') return textWords(value, field, kind);
  if (Array.isArray(value)) {
    const parts = value.map((one) => valueWords(one as Json, field, kind));
    return parts.length === 0 ? said.none : parts.join(', ');
  }
  return Object.entries(value as Record<string, Json>)
    .filter(([, part]) => part !== null && part !== '')
    .map(([part, held]) =>
      say('record.part', {
        name: at(PARTS, part) ?? midSentence(fieldWords(part)),
        content: valueWords(held, part),
      }),
    )
    .join(' · ');
}

function textWords(text: string, field: string, kind: string): string {
  const known =
    at(at(at(VALUES, kind), field), text) ??
    at(at(VALUES.any, field), text) ??
    at(at(PART_VALUES, field), text);
  if (known !== undefined) return known;
  if (/^\d{4}-\d{2}-\d{2}$/.test(text)) return dayWords(text);
  if (/^\d{4}-\d{2}-\d{2}T/.test(text))
    return `${dayWords(text.slice(0, 10))}, ${text.slice(11, 16)}`;
  return text;
}

/** Whole numbers of the record by the unit their field names; units are the same everywhere. */
function amountWords(number: number, field: string): string {
  if (field.endsWith('_um')) return `${thousandths(number)} mm`;
  if (field.endsWith('_ul')) return `${thousandths(number)} mL`;
  if (field.endsWith('_ms')) return `${thousandths(number)} s`;
  if (field.endsWith('_milli')) return thousandths(number);
  if (field.endsWith('_g')) return `${thousandths(number)} kg`;
  if (field.endsWith('_mmhg')) return `${number} mmHg`;
  if (field.endsWith('_bpm')) return `${number} /min`;
  return String(number);
}

/** Thousandths as `0.5`, `5`. */
function thousandths(number: number): string {
  const whole = Math.trunc(number / 1000);
  const fraction = String(Math.abs(number % 1000))
    .padStart(3, '0')
    .replace(/0+$/, '');
  return fraction === '' ? String(whole) : `${whole}.${fraction}`;
}
