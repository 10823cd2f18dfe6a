/** Asks the rules for the plan of one case, and for the Child class that it rests on. Pure. */
import { answerFollowUp, type FollowUpAnswer } from '../clinical-rules/follow-up';
import { answerLiverScores } from '../clinical-rules/liver-scores';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { CaseRecord } from './case-record.svelte';
import { askFollowUp, type KnownInput } from './surveillance';
import type { Happening } from './surveillance-happenings';
import { askLiverScores } from './workup';
import { latestLabs } from './workup-labs';

/** The plan, or in one sentence why there is none; neither where no day of the procedure is known. */
export type Asked = { answer: FollowUpAnswer; problem: '' } | { answer: null; problem: string };

/** Return the plan of visits by what is known today. */
export function askPlan(
  indexOn: string,
  todayOn: string,
  inputs: readonly KnownInput[],
  happened: readonly Happening[],
  ruleBook: RuleBook,
): Asked {
  if (indexOn === '') return { answer: null, problem: '' };
  const request = askFollowUp(indexOn, todayOn, inputs, happened);
  try {
    return { answer: answerFollowUp(request, ruleBook), problem: '' };
  } catch (error) {
    return { answer: null, problem: error instanceof Error ? error.message : String(error) };
  }
}

/** Return the Child class of a case, null where too little is known or no rule computes it. */
export function childClassOf(
  caseRecord: Pick<CaseRecord, 'itself' | 'patient' | 'all'>,
  ruleBook: RuleBook,
  todayOn: string,
): string | null {
  const { request } = askLiverScores(
    caseRecord.itself,
    caseRecord.patient,
    latestLabs(caseRecord.all('lab_result')),
    todayOn,
  );
  try {
    const { child_pugh: found } = answerLiverScores(request, ruleBook);
    return 'class' in found ? found.class : null;
  } catch {
    // Too little for any score: the class is simply not known.
    return null;
  }
}
