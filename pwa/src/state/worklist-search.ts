/** Finds people by name, local number or phone, and by how a name sounds (FU-15). Pure. */
import { foldText, soundOf } from './name-sounds';
import { type RecordState, textOf } from './shown';

/** Below so many letters a sound says nothing: half the list would be found. */
const LEAST_SOUNDED = 3;
/** Below so many digits a number is part of too many. */
const LEAST_DIGITS = 3;
/** A number of ten digits or more is also found by so many of its last ones: +44 700 is 0700. */
const NATIONAL_DIGITS = 9;
const WRITTEN_DIGITS = 10;

/** How a person answers to what was typed: by what is written, or only by how it sounds. */
export type Found = 'written' | 'sounds';

interface Entry {
  patient: RecordState;
  /** What stands in the fields: unchanged, nothing has to be worked out again. */
  raw: string;
  names: string;
  joinedNames: string;
  sounds: ReadonlySet<string>;
  localId: string;
  digits: string;
}

/** What is searched; keeps what it has worked out for people who have not changed. */
export class PatientIndex {
  #entries = new Map<string, Entry>();

  /** Take up the people as they are held now. */
  take(patients: readonly RecordState[]): void {
    const before = this.#entries;
    this.#entries = new Map();
    for (const patient of patients) {
      if (patient.isEnteredInError) continue;
      const raw = rawOf(patient);
      const known = before.get(patient.record);
      const entry = known?.raw === raw ? { ...known, patient } : entryOf(patient, raw);
      this.#entries.set(patient.record, entry);
    }
  }

  /** Return the people who answer to every word typed; none where nothing was typed. */
  find(typed: string): Map<string, Found> {
    const found = new Map<string, Found>();
    const asked = questionOf(typed);
    if (asked === null) return found;
    for (const [record, entry] of this.#entries) {
      if (isWritten(entry, asked)) found.set(record, 'written');
      else if (doesSound(entry, asked)) found.set(record, 'sounds');
    }
    return found;
  }
}

const FIELDS = ['family_name', 'given_name', 'local_id', 'phone'] as const;

function rawOf(patient: RecordState): string {
  return FIELDS.map((field) => textOf(patient, field)).join('\n');
}

function entryOf(patient: RecordState, raw: string): Entry {
  const [family = '', given = '', localId = '', phone = ''] = raw.split('\n');
  const names = foldText(`${family} ${given}`);
  const words = names.split(' ');
  const joinedNames = words.join('');
  return {
    patient,
    raw,
    names,
    joinedNames,
    // "van den Berg" is also asked for as "Vandenberg".
    sounds: new Set([...words, foldText(family).replaceAll(' ', '')].map(soundOf)),
    localId: foldText(localId).replaceAll(' ', ''),
    digits: phone.replace(/\D/g, ''),
  };
}

interface Question {
  words: string[];
  joined: string;
  /** Digits alone were typed, with what people put between them; "" otherwise. */
  digits: string;
  sounds: string[];
}

function questionOf(typed: string): Question | null {
  const folded = foldText(typed);
  if (folded === '') return null;
  const words = folded.split(' ');
  const isNumber = /^[\d\s()+/.-]+$/.test(typed.trim());
  const isSounded = words.every((word) => word.length >= LEAST_SOUNDED && !/\d/.test(word));
  return {
    words,
    joined: words.join(''),
    digits: isNumber ? typed.replace(/\D/g, '') : '',
    sounds: isSounded ? words.map(soundOf) : [],
  };
}

function isWritten(entry: Entry, asked: Question): boolean {
  if (asked.words.every((word) => entry.names.includes(word))) return true;
  if (entry.joinedNames.includes(asked.joined) || entry.localId.includes(asked.joined)) return true;
  const { digits } = asked;
  if (digits.length < LEAST_DIGITS) return false;
  if (entry.digits.includes(digits)) return true;
  return digits.length >= WRITTEN_DIGITS && entry.digits.endsWith(digits.slice(-NATIONAL_DIGITS));
}

function doesSound(entry: Entry, asked: Question): boolean {
  return (
    asked.sounds.length > 0 &&
    asked.sounds.every((sound) => sound !== '' && entry.sounds.has(sound))
  );
}
