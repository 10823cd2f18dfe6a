/**
 * The device identifier as a person types it: its digits, HIBC, or the whole line below the code. Pure.
 *
 * Each has a check digit or character of its own: a slip is said, and nothing of it is taken.
 */
import { isGtin } from '../clinical-rules/gs1-elements';
import type { RuleBook } from '../clinical-rules/rule-book';
import { labelWords } from '../text/label';
import { type LabelReading, NOTHING_READ, readCode } from './read-label';

const GTIN_LENGTH = 14;

/** Return what was typed as a reading; `raw` is the line where one was typed. */
export function readTypedIdentifier(
  typed: string,
  todayOn: string,
  ruleBook: RuleBook,
): LabelReading {
  const text = typed.trim();
  if (text === '') return NOTHING_READ;
  if (text.startsWith('(') || text.startsWith('+')) {
    const found = readCode(text, todayOn, ruleBook);
    if (found.kind === 'refused') return { ...NOTHING_READ, problems: [found.sentence] };
    // A line is told from a scan by its brackets; HIBC has the same signs below the code as in it.
    return text.startsWith('(') ? found.reading : { ...found.reading, raw: '' };
  }
  const digits = text.replaceAll(' ', '');
  if (!/^(?:[0-9]{8}|[0-9]{12,14})$/.test(digits)) {
    return { ...NOTHING_READ, problems: [labelWords.noIdentifier] };
  }
  const identifier = digits.padStart(GTIN_LENGTH, '0');
  if (isGtin(identifier)) return { ...NOTHING_READ, identifier };
  return { ...NOTHING_READ, problems: [labelWords.wrongCheckDigit(digits)] };
}

/** Say whether what was typed has to be corrected before the label is taken. */
export function isTypedWrong(typed: string, reading: LabelReading): boolean {
  const isEmpty = typed.trim() === '' || reading.identifier !== '';
  return !isEmpty && (reading.raw === '' || reading.raw.includes('(01)'));
}
