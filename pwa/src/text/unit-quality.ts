/** Every sentence of what a unit is to mend in its own records. */
import type { OwnQuality, RecordToMend } from '../quality-answers';
import { dayWords } from '../state/surveillance-dates';
import { countByFixer } from '../state/unit-quality';
import { people } from './entry';
import { fieldWords } from './record';
import { type Choice, lookUp, say, withMore, words } from './say';

const said = words('unitQuality');
const FIELDS = lookUp(said.fields);

export const unitQuality = withMore(said, {
  asOf: (cases: number, on: string) => say('unitQuality.asOf', { cases, on: dayWords(on) }),
  found: (count: number) => say('unitQuality.found', { count }),
  clean: (count: number) => say('unitQuality.clean', { count }),
  filledOf: (filled: number, of: number) => say('unitQuality.filledOf', { filled, of }),
});

/** Return a field of completeness in words. */
export function filledFieldWords(field: string): string {
  return FIELDS[field] ?? fieldWords(field);
}

/** Return who mends something. */
export function fixerOf(role: string): string {
  return say('unitQuality.fixer', { role: people.roles[role] ?? role });
}

/** Return everybody, then each role with how much it has to mend. */
export function fixerChoices(quality: OwnQuality): Choice[] {
  const roles = [...countByFixer(quality)].map(([id, count]) => ({
    id,
    words: say('unitQuality.roleCount', { role: people.roles[id] ?? id, count }),
  }));
  return [{ id: '', words: said.everybody }, ...roles];
}

/** Return where a record is found: the day of its case and the patient's local number. */
export function placeOf({ on, number }: RecordToMend): string {
  return say('unitQuality.place', {
    day: on === '' ? said.noDay : dayWords(on),
    number: number === '' ? said.noNumber : say('unitQuality.numbered', { number }),
  });
}
