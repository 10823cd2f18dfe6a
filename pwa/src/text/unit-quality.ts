/** Every sentence of what a unit is to mend in its own records. */
import type { Likeness, OwnQuality, RecordToMend } from '../quality-answers';
import { dayWords } from '../state/surveillance-dates';
import { countByFixer } from '../state/unit-quality';
import { people } from './entry';
import { fieldWords } from './record';
import { type Choice, inEnglish, lookUp, say, withMore, words } from './say';

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

/** Return how likely two patients are one person, and what speaks for and against it. */
export function likenessWords({ per_mille: perMille, traits }: Likeness): string {
  const [names, levels] = [lookUp(said.traits), lookUp(said.likeLevels)];
  const parts = traits
    // That names are not swapped goes without saying.
    .filter(([trait, level]) => !(trait === 'order of names' && level === 'as written'))
    .map(([trait, level]) =>
      say('unitQuality.traitLevel', {
        trait: names[idOf(trait)] ?? inEnglish(trait),
        level: levels[idOf(level)] ?? inEnglish(level),
      }),
    );
  return say('unitQuality.likeness', {
    percent: (perMille / 10).toFixed(1),
    parts: parts.join('; '),
  });
}

const idOf = (text: string) => text.replaceAll(' ', '-');

/** Return where a record is found: the day of its case and the patient's local number. */
export function placeOf({ on, number }: RecordToMend): string {
  return say('unitQuality.place', {
    day: on === '' ? said.noDay : dayWords(on),
    number: number === '' ? said.noNumber : say('unitQuality.numbered', { number }),
  });
}
