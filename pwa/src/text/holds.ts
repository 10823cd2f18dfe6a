/** What is said of a drug that the rules hold, pause or let go on. */
import { countOf, partOf, textsOf, wordsOf } from '../state/calculation';
import { inEnglish } from './say';
import { drugsWords } from './workup';

type Hold = Readonly<Record<string, unknown>>;

/** Return a drug by its name; one that has none here is shown as it is. */
export function drugWords(drug: string): string {
  return drugsWords.drugNames[drug] ?? drug;
}

/** Return one sentence on a row of the holds: when the last intake is, or why none is given. */
export function holdSentence(hold: Hold): string {
  const drug = drugWords(wordsOf(hold, 'drug'));
  const refusal = partOf(hold, 'refusal');
  if (refusal) return `${drug}: ${inEnglish(wordsOf(refusal, 'text'))}`;
  if (textsOf(hold, 'missing').length > 0) return drugsWords.lacks(drug, drugsWords.clearance);
  if (hold.continue === true) return drugsWords.continueDrug(drug);
  return drugsWords.hold(drug, wordsOf(hold, 'last_dose_on'), countOf(hold, 'hold_days') ?? 0);
}
