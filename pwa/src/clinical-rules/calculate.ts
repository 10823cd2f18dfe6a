/**
 * One way into every calculation: a kind and a request in, an answer with its sources out.
 * Twin of `calculate.py`.
 */
import { answerAntithromboticHolds } from './antithrombotic-holds';
import { answerDeviceLabel } from './device-label';
import { CalculationRefusedError, ShapeError } from './errors';
import { answerFollowUp } from './follow-up';
import { answerLiverScores } from './liver-scores';
import type { RuleBook } from './rule-book';
import { answerSizing } from './sizing';

const CALCULATIONS: Readonly<Record<string, (request: unknown, ruleBook: RuleBook) => object>> = {
  'liver-scores': answerLiverScores,
  sizing: answerSizing,
  'follow-up': answerFollowUp,
  'antithrombotic-holds': answerAntithromboticHolds,
  'device-label': answerDeviceLabel,
};

/**
 * Return the answer of one kind of calculation.
 *
 * @param kind - one of the keys of `CALCULATIONS`
 * @param request - one JSON object, parsed
 * @throws CalculationRefusedError for an unknown kind, a wrong key or type, or when nothing could
 * be calculated; in the last case its `answer` is the whole answer
 */
export function calculate(kind: string, request: unknown, ruleBook: RuleBook): object {
  const answer = Object.hasOwn(CALCULATIONS, kind) ? CALCULATIONS[kind] : undefined;
  if (answer === undefined) {
    const kinds = Object.keys(CALCULATIONS).join(', ');
    throw new CalculationRefusedError(`There is no calculation ${kind}. Ask for one of ${kinds}.`);
  }
  if (typeof request !== 'object' || request === null || Array.isArray(request)) {
    throw new CalculationRefusedError(
      'The request must be one JSON object. Send its keys within braces.',
    );
  }
  try {
    return sayMode(answer(request, ruleBook), ruleBook);
  } catch (error) {
    if (error instanceof ShapeError) throw new CalculationRefusedError(error.message);
    if (error instanceof CalculationRefusedError && Object.keys(error.answer).length > 0) {
      throw new CalculationRefusedError(error.message, sayMode(error.answer, ruleBook));
    }
    throw error;
  }
}

/** Return the answer with the mode in which it was made: training or live (RL5). */
function sayMode(answer: object, ruleBook: RuleBook): Record<string, unknown> {
  return { ...answer, mode: ruleBook.isTraining ? 'training' : 'live' };
}
