/** Sentences about patients of two units that may be one person: no name of anybody is in them. */
import type { LinkEvent, LinkSide, LinkState, NetworkLink } from '../network-questions';
import { instantWords } from '../state/decisions-time';
import { idOfWords, type Trait, type Turn } from '../state/network-links.svelte';
import { choices, inEnglish, lookUp, retell, say, sayAs, withMore, words } from './say';

const said = words('networkLinks');

export const networkLinks = withMore(said, {
  states: choices(said.states satisfies Record<LinkState, string>),
  none: said.none satisfies Record<LinkState, string>,
  open: (count: number) => say('networkLinks.open', { count }),
  pair: (a: string, b: string) => say('networkLinks.pair', { a, b }),
  lookAt: (a: string, b: string) => say('networkLinks.lookAt', { a, b }),
  likely: (percent: number) => say('networkLinks.likely', { percent }),
  answered: (answer: NetworkLink['answers'][number]) =>
    sayAs(`networkLinks.answered.${answer.answer}`, {
      unit: answer.unit_name,
      when: instantWords(answer.at_ms),
    }),
  turns: (turn: Turn, names: readonly string[]) =>
    sayAs(`networkLinks.turns.${turn}`, { names: names.join(', ') }),
  notReasons: choices(said.notReasons),
  partReasons: choices(said.partReasons),
});

const TRAIT_NAMES: Readonly<Record<string, keyof typeof said.traits>> = {
  names: 'names',
  'day-of-birth': 'born',
  sex: 'sex',
  'national-number': 'national',
} satisfies Record<Trait, keyof typeof said.traits>;
const LEVEL_NAMES: Readonly<Record<string, keyof typeof said.levels>> = {
  'the-same': 'same',
  alike: 'alike',
  near: 'near',
  'the-same-year': 'year',
  unlike: 'unlike',
  '': 'unknown',
};

/** Return what a trait is called; another one as the hub calls it. */
export function traitWords(trait: string): string {
  const name = TRAIT_NAMES[idOfWords(trait)];
  return name === undefined ? inEnglish(trait) : said.traits[name];
}

/** Return how far a trait agrees; "" is not known. */
export function levelWords(level: string): string {
  const name = LEVEL_NAMES[idOfWords(level)];
  return name === undefined ? inEnglish(level) : said.levels[name];
}

/** Return what the hub knows of one side: year of birth, sex, number of cases. */
export function sideWords({ birth_year: year, sex, cases }: LinkSide): string {
  const sexes = lookUp(said.sexes);
  return [
    year === null ? said.noYear : say('networkLinks.bornIn', { year: String(year) }),
    sexes[sex] ?? said.sexes.unknown,
    say('networkLinks.cases', { count: cases }),
  ].join(' · ');
}

/** Return one line of a link's history. */
export function historyWords({ at_ms, act, staff, name, because }: LinkEvent): string {
  const known: Readonly<Record<string, string>> = {
    ...said.notReasons,
    ...said.partReasons,
    ...said.becauses,
  };
  const values = {
    // A proposal is made by counting, at no moment of its own.
    when: at_ms === 0 ? said.atFirst : instantWords(at_ms),
    act: said.acts[act],
    who: name || staff || said.byServer,
  };
  const why = known[because] ?? retell(because);
  return why === ''
    ? say('networkLinks.event', values)
    : say('networkLinks.eventWhy', { ...values, why });
}

/** Return what is odd about joined records, a sentence each, none twice. */
export function findingWords(whys: readonly string[]): string[] {
  const findings = lookUp(said.findings);
  return [...new Set(whys)].map((why) => findings[why] ?? inEnglish(why));
}
