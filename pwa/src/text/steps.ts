/**
 * The words of the steps: what the step protocol asks, and what is pressed and shown beside it.
 *
 * Title, question and phase stand in the rule file, in English. They are said in another language
 * where the catalogue has exactly that English sentence; what a unit wrote itself stands as written.
 */
import type { Step } from '../clinical-rules/step-protocol';
import { agentWords, mediumWords } from './procedure';
import { forRecord, lookUp, say, words } from './say';
import { drugsWords } from './workup';

const said = words('steps');
const ticks = lookUp(said.ticks);
const facts = lookUp(said.facts);
const contents = lookUp(said.contents);
const answers: Readonly<Record<string, Readonly<Record<'yes' | 'no', string>>>> = said.answers;

/** Steps of which "no" is the answer that goes on. */
const NO_GOES_ON: readonly string[] = [
  ...['oesophagus', 'shunt_seen', 'final_doppler', 'final_bleeding'],
];

/** Sentences of the rule files by the English of each; read anew, they follow the language. */
type ByEnglish = ReadonlyMap<string, () => string>;

function byEnglish(key: string, group: Readonly<Record<string, string>>): ByEnglish {
  return new Map(
    Object.keys(group).map((name) => [
      forRecord(`${key}.${name}` as 'steps.asks'),
      () => group[name] ?? name,
    ]),
  );
}
const phases = byEnglish('steps.phases', said.phases);
const titles = byEnglish('steps.titles', said.titles);
const details = byEnglish('steps.details', said.details);
/** Questions of the version in force, and of an earlier one that a live case goes on with. */
const asks: ByEnglish = new Map([
  ...byEnglish('steps.earlierAsks', said.earlierAsks),
  ...byEnglish('steps.asks', said.asks),
]);
const sayAs = (known: ByEnglish, text: string) => known.get(text)?.() ?? text;

/** Return what a step asks; that the time runs is said only once it does. */
export function askOf(step: Step, isTiming: boolean): string {
  const ask = isTiming ? step.ask : step.ask.replace('; the time runs', '');
  return sayAs(asks, ask);
}

/** Return what a short question leaves out, "" where it leaves out nothing. */
export function detailOf(step: Pick<Step, 'detail'>): string {
  return step.detail === undefined ? '' : sayAs(details, step.detail);
}

/** Return the name of a step. */
export function titleOf(step: Pick<Step, 'title'>): string {
  return sayAs(titles, step.title);
}

/** Return the name of a phase of the protocol. */
export function phaseWords(phase: string): string {
  return sayAs(phases, phase);
}

/** Return the words of the primary and the second answer of a yes-or-no step. */
export function yesNoWords(step: Step): {
  primary: [words: string, isYes: boolean];
  second: string;
} {
  const { yes, no } = answers[step.id] ?? said.answers.any;
  return NO_GOES_ON.includes(step.id)
    ? { primary: [no, false], second: yes }
    : { primary: [yes, true], second: no };
}

/** Return what the primary action of a step to tick says. */
export function tickWords(step: Step): string {
  return ticks[step.id] ?? say('steps.tickOf', { title: titleOf(step) });
}

/** Return what a fact beside a step is about, in words. */
export function factName(about: string): string {
  return facts[about] ?? about;
}

/** Return what was entered, in words; what has no words of its own is shown as it is. */
export function factWords(entered: string): string {
  return contents[entered] ?? drugsWords.drugNames[entered] ?? agentWords(mediumWords(entered));
}
