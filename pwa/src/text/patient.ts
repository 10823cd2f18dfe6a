/** Every sentence of the Patient screen. */
import { isInConflict, type RecordState, textOf } from '../state/shown';
import { choices, say, withMore, words } from './say';

const said = words('patient');

export const patientText = withMore(said, {
  sexes: choices(said.sexes),
  needChoices: choices(said.needChoices),
  identities: choices(said.identities),
});

/** Return the patient in one line: names, date of birth, sex, local number (two identifiers). */
export function patientLine(patient: RecordState | null | undefined): string {
  if (!patient) return '';
  const part = (field: string) => (isInConflict(patient, field) ? '?' : textOf(patient, field));
  const sexes: Readonly<Record<string, string>> = { ...said.sexShort, '?': '?' };
  const names = [part('family_name'), part('given_name')].filter((name) => name !== '').join(', ');
  const number = part('local_id');
  const parts = [
    names,
    part('born_on'),
    sexes[part('sex')] ?? '',
    number && say('patient.number', { number }),
  ];
  return parts.filter((text) => text !== '').join(' · ');
}
