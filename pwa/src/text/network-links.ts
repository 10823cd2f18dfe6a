/** Sentences about patients of two units that may be one person: no name of anybody is in them. */
import type {
  LinkEvent,
  LinkSide,
  LinkState,
  LinkVoice,
  LinkWeighing,
  NetworkLink,
} from '../network-questions';
import { instantWords } from '../state/decisions-time';
import {
  allTraits,
  idOfWords,
  percentOf,
  type Trait,
  type Turn,
} from '../state/network-links.svelte';
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
  reopenReasons: choices(said.reopenReasons),
  weighingNote: ({ weights: file, version }: LinkWeighing) =>
    say('networkLinks.weighing.note', { file, version }),
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

/** Return what one person has said of a pair that stands, and when. */
export function voiceWords(of: 'joining' | 'parting', voice: LinkVoice): string {
  const values = {
    who: voice.name || voice.staff,
    when: instantWords(voice.at_ms),
    why: whyWords(voice.because),
  };
  return say(`networkLinks.voices.${of}`, values);
}

/** One row of a score: what is compared, how far it agrees, and its points. */
export interface WeighingRow {
  id: string;
  what: string;
  level: string;
  points: string;
}

/** Return the rows of a score: what speaks before anything is compared, field by field, the sum. */
export function weighingRows(weighing: LinkWeighing): WeighingRow[] {
  const words = said.weighing;
  const weighed = new Map(weighing.fields.map((one) => [one.trait, one.tenths]));
  const fields = allTraits(weighing.fields).map(({ trait, level }) => {
    const tenths = level === '' ? undefined : weighed.get(trait);
    const points = tenths === undefined ? words.none : pointWords(tenths);
    return { id: trait, what: traitWords(trait), level: levelWords(level), points };
  });
  const { elsewhere_per_mille, others, sum_tenths, per_mille, is_sure } = weighing;
  const start = { elsewhere: elsewhere_per_mille, others };
  const likely = is_sure
    ? words.sure
    : per_mille === null
      ? ''
      : say('networkLinks.weighing.likely', { percent: percentOf(per_mille) });
  const least = { percent: percentOf(weighing.shown_from_per_mille) };
  return [
    {
      id: 'start',
      what: words.start,
      level: say('networkLinks.weighing.startWhy', start),
      points: pointWords(weighing.start_tenths),
    },
    ...fields,
    { id: 'sum', what: words.sum, level: likely, points: pointWords(sum_tenths) },
    {
      id: 'from',
      what: words.from,
      level: say('networkLinks.weighing.fromWhy', least),
      points: pointWords(weighing.shown_from_tenths),
    },
  ];
}

/** Return points with their sign: 145 tenths are `+14.5`. */
export function pointWords(tenths: number | null): string {
  if (tenths === null) return said.weighing.unweighed;
  const sign = tenths < 0 ? '\u2212' : '+';
  return `${sign}${(Math.abs(tenths) / 10).toFixed(1)}`;
}

/** Return which identifiers agree, and how many have to so that anybody may join the two. */
export function identifierWords({ identifiers, identifiers_needed }: LinkWeighing): string {
  return say('networkLinks.weighing.identifiers', {
    count: identifiers.length,
    names: identifiers.map(traitWords).join(', '),
    needed: identifiers_needed,
  });
}

function whyWords(because: string): string {
  const known: Readonly<Record<string, string>> = {
    ...said.notReasons,
    ...said.partReasons,
    ...said.reopenReasons,
    ...said.becauses,
  };
  return known[because] ?? retell(because);
}

/** Return one line of a link's history. */
export function historyWords({ at_ms, act, staff, name, because }: LinkEvent): string {
  const values = {
    // A proposal is made by counting, at no moment of its own.
    when: at_ms === 0 ? said.atFirst : instantWords(at_ms),
    act: said.acts[act],
    who: name || staff || said.byServer,
  };
  const why = whyWords(because);
  return why === ''
    ? say('networkLinks.event', values)
    : say('networkLinks.eventWhy', { ...values, why });
}

/** Return what is odd about joined records, a sentence each, none twice. */
export function findingWords(whys: readonly string[]): string[] {
  const findings = lookUp(said.findings);
  return [...new Set(whys)].map((why) => findings[why] ?? inEnglish(why));
}
