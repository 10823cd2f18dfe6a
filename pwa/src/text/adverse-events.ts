/** Sentences on adverse events: what is asked, and both grades with where they come from. */
import type { Entered, Fact, Graded, Scale } from '../clinical-rules/adverse-events';
import { fieldChoices } from './record';
import { choices, midSentence, say, withMore, words } from './say';
import { basisLine } from './workup';

const said = words('events');
const facts: Readonly<Record<Fact, string>> = said.facts;
const drugs = choices(said.drugs);

function answerWords(entered: Entered): string {
  if (typeof entered === 'boolean') return entered ? said.answers.yes : said.answers.no;
  const drug = drugs.find(({ id }) => id === entered);
  return drug === undefined ? String(entered) : midSentence(drug.words);
}

export const eventWords = withMore(said, {
  facts,
  yesNo: choices(said.yesNo),
  drugs,
  bleedSources: fieldChoices('complication', 'bleed_source'),
  open: (event: string) => say('events.open', { event: midSentence(event) }),
  restIsNo: (count: number) => say('events.restIsNo', { count }),
  recorded: (event: string, fact: string) => say('events.recorded', { event, fact }),
  restRecorded: (event: string) => say('events.restRecorded', { event }),
  grade: (name: Scale, { grade, at_least }: Graded) => {
    const scale = said.scales[name];
    if (grade === 'none') {
      return say(at_least ? 'events.noGradeYet' : 'events.noEvent', { scale });
    }
    return say(at_least ? 'events.atLeast' : 'events.grade', { scale, grade });
  },
  because: (because: Graded['because']) =>
    `${because.map(({ fact, entered }) => `${facts[fact]}: ${answerWords(entered)}`).join('; ')}.`,
  couldRaise: (names: readonly Fact[]) =>
    say('events.couldRaise', { names: names.map((name) => facts[name]).join('; ') }),
  twoAnswers: (fact: string, answers: string) => say('events.twoAnswers', { fact, answers }),
  basis: ({ basis, source }: Graded) =>
    basis === null ? '' : `${basisLine(basis, source ?? '')}.`,
  /** The engine's sentence names facts by their keys; a person reads their words. */
  refusal: (sentence: string) =>
    Object.entries(facts).reduce((told, [fact, name]) => told.replaceAll(fact, name), sentence),
  ruleFiles: (files: string) => say('events.ruleFiles', { files }),
  answer: answerWords,
  // --- events after the procedure
  day: (day: string, number: number | null) =>
    number === null ? day : say('events.day', { day, number }),
  undo: (act: string) => say('events.undo', { act }),
});
