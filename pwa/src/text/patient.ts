/** Every sentence of the Patient screen. */
import { NAMES, OFFERED } from '../state/language.svelte';
import { isInConflict, type Json, type RecordState, textOf } from '../state/shown';
import { valueWords } from './record';
import { choices, say, withMore, words } from './say';

const said = words('patient');

export const patientText = withMore(said, {
  sexes: choices(said.sexes),
  needChoices: choices(said.needChoices),
  identities: choices(said.identities),
  contactChoices: choices(said.contactChoices),
  travelChoices: choices(said.travelChoices),
  /** Each language by its own name, as whoever reads it looks for it. */
  letterLanguages: OFFERED.map((tag) => ({ id: tag as string, words: NAMES[tag] })),
});

/** Return a letter's language by its own name; what is held where it is no language offered. */
export function languageWords(tag: Json): string {
  const named = OFFERED.find((one) => one === tag);
  return named === undefined ? valueWords(tag) : NAMES[named];
}

/** Return the names alone; `?` for one of which two answers wait. */
export function patientNames(patient: RecordState | null | undefined): string {
  if (!patient) return '';
  return ['family_name', 'given_name']
    .map((field) => (isInConflict(patient, field) ? '?' : textOf(patient, field)))
    .filter((name) => name !== '')
    .join(', ');
}

/** Return the patient in one line: names, date of birth, sex, local number (two identifiers). */
export function patientLine(patient: RecordState | null | undefined): string {
  if (!patient) return '';
  const part = (field: string) => (isInConflict(patient, field) ? '?' : textOf(patient, field));
  const sexes: Readonly<Record<string, string>> = { ...said.sexShort, '?': '?' };
  const number = part('local_id');
  const parts = [
    patientNames(patient),
    part('born_on'),
    sexes[part('sex')] ?? '',
    number && say('patient.number', { number }),
  ];
  return parts.filter((text) => text !== '').join(' · ');
}
