/**
 * Errors of the clinical rules, each with a sentence for the person who must act.
 * Twin of `api/clinical_rules/errors.py`.
 *
 * ClinicalRuleError
 *   RuleFileError             a rule file is wrong; the text names file, row and remedy
 *   ShapeError                a request has a wrong key or type; the text names the key
 *   CalculationRefusedError   nothing could be calculated; `answer` says why, part by part
 */

/** Anything the clinical rules refuse; the text says what to do next. */
export class ClinicalRuleError extends Error {
  override name = 'ClinicalRuleError';
}

/** A rule file cannot be used; the text names the file, the row and the remedy (RF1-RF6). */
export class RuleFileError extends ClinicalRuleError {
  override name = 'RuleFileError';
}

/** A request has an unknown key, a wrong type or a wrong word; the text names the key. */
export class ShapeError extends ClinicalRuleError {
  override name = 'ShapeError';
}

/** Nothing at all could be calculated; `answer` holds what each part lacks or refuses. */
export class CalculationRefusedError extends ClinicalRuleError {
  override name = 'CalculationRefusedError';
  readonly answer: Readonly<Record<string, unknown>>;

  constructor(sentence: string, answer: Readonly<Record<string, unknown>> = {}) {
    super(sentence);
    this.answer = answer;
  }
}
