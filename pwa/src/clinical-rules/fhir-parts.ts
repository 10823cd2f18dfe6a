/**
 * What every FHIR resource of a case is built from: read values, codes, amounts, instants. Pure.
 *
 * Twin of `api/documents/fhir_parts.py`. A field with two answers is never read: `doubts` tells
 * both in a note, so that nothing is silently chosen.
 */
import { utf8ToBytes } from '@noble/hashes/utils.js';
import { canonicalText, type JsonContent } from '../sync/canonical-text';
import { isCivilDate } from './civil-date';
import { opaqueId } from './opaque-id';

export type Resource = { [element: string]: unknown };
type Parts = { readonly [part: string]: JsonContent };

const UCUM = 'http://unitsofmeasure.org';
const ABSENT = 'http://terminology.hl7.org/CodeSystem/data-absent-reason';
const ABSENT_EXTENSION = 'http://hl7.org/fhir/StructureDefinition/data-absent-reason';
/** The first instant of the year 10000, which no FHIR instant reaches. */
const END_MS = 253_402_300_800_000;
/** Controls and blanks that a FHIR string does not hold; both engines name them one by one. */
// biome-ignore lint/suspicious/noControlCharactersInRegex: controls are what is looked for
const BLANKS = /[\x00-\x20\x7f-\xa0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000\ufeff]+/g;
const INSTANT =
  /^[0-9]{4}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9](\.[0-9]{3})?)?(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$/;

/** One record of a request: every value that stands, by field; the chosen one where one is. */
export interface TellableRecord {
  record: string;
  values: { readonly [field: string]: readonly JsonContent[] };
  is_struck: boolean;
  /** Who wrote what stands last. */
  by: string;
  /** When that was, in milliseconds since 1970. */
  at_ms: number;
}

/** One record as a request tells it. */
export class Told {
  readonly record: string;
  readonly isStruck: boolean;
  readonly by: string;
  readonly atMs: number;
  readonly #values: TellableRecord['values'];

  constructor(content: TellableRecord) {
    this.record = content.record;
    this.isStruck = content.is_struck;
    this.by = content.by;
    this.atMs = content.at_ms;
    this.#values = content.values;
  }

  /** The kind of the record. */
  get kind(): string {
    return this.record.split('/', 1)[0] ?? '';
  }

  /** Return the one value of a field; null where none or several stand. */
  shown(field: string): JsonContent {
    const held = this.#held(field);
    return held.length === 1 ? (held[0] ?? null) : null;
  }

  /** Return a text fit for FHIR, "" where none is shown. */
  text(field: string, part = ''): string {
    const value = this.#at(field, part);
    return typeof value === 'string' ? clean(value) : '';
  }

  /** Return a text as it was entered, "" where none is shown. */
  raw(field: string, part: string): string {
    const value = this.#at(field, part);
    return typeof value === 'string' ? value : '';
  }

  /** Return a whole number, null where none is shown. */
  whole(field: string, part = ''): number | null {
    const value = this.#at(field, part);
    return typeof value === 'number' && Number.isSafeInteger(value) ? value : null;
  }

  /** Return a civil date, "" where none is shown. */
  day(field: string, part = ''): string {
    const value = this.text(field, part);
    return isCivilDate(value) ? value : '';
  }

  /** Return the parts of a structure, none where none is shown. */
  parts(field: string): Parts {
    const value = this.shown(field);
    const isParts = typeof value === 'object' && value !== null && !Array.isArray(value);
    return isParts ? (value as Parts) : {};
  }

  /** Return one sentence for each of the fields in which several answers stand. */
  doubts(fields: readonly string[]): string[] {
    return fields
      .map((name) => ({ name, held: this.#held(name) }))
      .filter(({ held }) => held.length > 1)
      .map(
        ({ name, held }) =>
          `${held.length} answers stand for ${name} and nobody has decided: ` +
          clean(held.map(canonicalText).join(' | ')),
      );
  }

  /** Say whether several answers stand in a field. */
  hasDoubt(field: string): boolean {
    return this.#held(field).length > 1;
  }

  /** Return every value that stands in a field as one text: equal texts are equal answers. */
  canonical(field: string): string {
    return canonicalText([...this.#held(field)]);
  }

  /** Return this record with a field as another record holds it. */
  borrow(field: string, lender: Told): Told {
    return new Told({
      record: this.record,
      is_struck: this.isStruck,
      by: this.by,
      at_ms: this.atMs,
      values: { ...this.#values, [field]: lender.#held(field) },
    });
  }

  #held(field: string): readonly JsonContent[] {
    return Object.hasOwn(this.#values, field) ? (this.#values[field] ?? []) : [];
  }

  #at(field: string, part: string): JsonContent | undefined {
    if (part === '') return this.shown(field);
    const parts = this.parts(field);
    return Object.hasOwn(parts, part) ? parts[part] : undefined;
  }
}

/** Return a text as a FHIR string may hold it: one plain blank for each run of others. */
export function clean(text: string): string {
  return text.replace(BLANKS, ' ').replace(/^ +| +$/g, '');
}

/** Return a reference to a record's resource. */
export function refer(record: string): Resource {
  return { reference: urlOf(record) };
}

/** Return a resource as an entry of a bundle. */
export function entry(record: string, resource: Resource): Resource {
  return { fullUrl: urlOf(record), resource };
}

function urlOf(record: string): string {
  return `urn:uuid:${opaqueId(record)}`;
}

/** A coded text. */
export interface Concept {
  coding: Resource[];
  text: string;
}

/** Return a word of the record catalogue as a coded text; `field` is `kind.field`. */
export function concept(field: string, word: string): Concept {
  const coding = { system: `urn:crura:catalogue:${field}`, code: word };
  return { coding: [coding], text: word.replaceAll('-', ' ') };
}

/** Return a quantity of thousandths of a unit of UCUM. */
export function amount(thousandths: number, unit: string): Resource {
  return { value: thousandths / 1000, unit, system: UCUM, code: unit };
}

/** Return a quantity in a unit that is known as text alone. */
export function bareAmount(thousandths: number, unit: string): Resource {
  return unit === '' ? { value: thousandths / 1000 } : { value: thousandths / 1000, unit };
}

/** Return why a value is missing, in the words of the standard. */
export function absent(reason = 'unknown'): Resource {
  return { coding: [{ system: ABSENT, code: reason }] };
}

/** Return the same for an element that is a plain value. */
export function absentExtension(): Resource {
  return { extension: [{ url: ABSENT_EXTENSION, valueCode: 'unknown' }] };
}

/** Return sentences as the element `note`, nothing where there are none. */
export function notes(sentences: readonly string[]): Resource {
  const found = sentences.filter((one) => one !== '').map((text) => ({ text }));
  return found.length > 0 ? { note: found } : {};
}

/** Return an instant in milliseconds since 1970, null for what is none. */
export function instantMs(text: string): number | null {
  return INSTANT.test(text) && isCivilDate(text.slice(0, 10)) ? Date.parse(text) : null;
}

/** Return an instant as FHIR writes it, in UTC; "" outside the years that it knows. */
export function writeInstant(ms: number): string {
  return ms >= 0 && ms < END_MS ? new Date(ms).toISOString() : '';
}

/** Return a text as base64 of its UTF-8 (RFC 4648). */
export function writeBase64(content: Uint8Array | string): string {
  const bytes = typeof content === 'string' ? utf8ToBytes(content) : content;
  return btoa(Array.from(bytes, (one) => String.fromCharCode(one)).join(''));
}
