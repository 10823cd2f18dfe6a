/**
 * What a case went past, with who and why, and the cautions that came up. Pure.
 * Twin of `api/documents/passed_gates.py`.
 */
import { RuleFileError } from '../../clinical-rules/errors';
import { GATES, OTHER_REASON, readGateRow } from '../../clinical-rules/gates';
import type { RuleBook } from '../../clinical-rules/rule-book';
import { headsOf } from './case-given';
import { lines, type Part, points, table } from './paper';
import type { PaperWords } from './paper-words';
import {
  ofKind,
  once,
  type Parts,
  partIn,
  partsOf,
  rowsIn,
  type ShownCase,
  type ShownRecord,
  structure,
  text,
  textIn,
  textsIn,
  timeOf,
} from './shown-case';
import { sayActor, sayStated } from './who-confirmed';

type Row = ReturnType<typeof readGateRow>;
type Rows = ReadonlyMap<string, Row>;

/** Return the gates that the case went past, oldest first (GATE-02). */
export function reportPassed(shown: ShownCase, book: RuleBook, words: PaperWords): Part {
  const rows = readRows(book);
  const told = (one: ShownRecord, override: Parts) => tell(shown, one, override, rows, words);
  const found: string[][] = [];
  for (const event of ofKind(shown, 'step_event')) {
    const override = structure(event, 'override');
    if (textIn(override, 'gate') !== '') found.push(told(event, override));
    const stood = text(event, 'answers', 'gate_stood');
    if (stood !== '') found.push(told(event, { cause: stood }));
  }
  for (const sign of ofKind(shown, 'sign_off').slice(-1)) {
    const overrides = rowsIn(partIn(structure(sign, 'outcome'), 'overrides'));
    found.push(...overrides.map((override) => told(sign, override)));
  }
  const heading = words.say('report.passed');
  if (found.length === 0) return { heading, blocks: [lines([words.say('report.none_passed')])] };
  const heads = headsOf(words, 'common', ['time', 'gate', 'reason', 'by']);
  return { heading, blocks: [table(heads, found)] };
}

/** Return the cautions of the saved plan, and what else came up on screen. */
export function reportCautions(shown: ShownCase, book: RuleBook, words: PaperWords): Part {
  const answer = partsOf(partIn(structure(shown.itself, 'plan'), 'answer'));
  const told = shown.outside.length > 0 ? [] : rowsIn(partIn(answer, 'cautions'));
  const texts = once(told.map((one) => textIn(one, 'text')));
  const rows = readRows(book);
  const causes = [
    ...ofKind(shown, 'step_event').flatMap((event) =>
      textsIn(partIn(structure(event, 'answers'), 'gates_shown')),
    ),
    ...ofKind(shown, 'sign_off')
      .slice(-1)
      .flatMap((sign) => textsIn(partIn(structure(sign, 'outcome'), 'gates_shown'))),
  ];
  const cameUp = once(causes.map((cause) => tellRaised(cause, rows, words)));
  const held = [...texts, ...cameUp.map((what) => words.say('report.came_up', { what }))];
  const heading = words.say('report.cautions');
  return {
    heading,
    blocks: [held.length > 0 ? points(held) : lines([words.say('report.none_raised')])],
  };
}

function tell(
  shown: ShownCase,
  one: ShownRecord,
  override: Parts,
  rows: Rows,
  words: PaperWords,
): string[] {
  const cause = textIn(override, 'cause') || textIn(override, 'gate');
  const said = textIn(override, 'reason');
  const known = findRow(cause, rows)?.reasons.find(({ id }) => id === said)?.words ?? '';
  const other = said === OTHER_REASON ? words.say('report.other_reason') : said;
  const second = textIn(override, 'second_person');
  const people = [sayActor(shown, one, words), sayStated(shown, second, words)];
  return [
    timeOf(shown, text(one, 'at')),
    nameGate(cause, textIn(override, 'text_shown'), rows, words),
    known || other || words.say('report.without_reason'),
    people.filter((person) => person !== '').join(', '),
  ];
}

function nameGate(cause: string, textShown: string, rows: Rows, words: PaperWords): string {
  const row = findRow(cause, rows);
  const [gate = ''] = cause.split(' ');
  // A code alone tells a reader nothing; what was on screen stands with the override.
  if (row === undefined) {
    return textShown === '' ? words.say('report.not_held', { gate }) : `${gate}: ${textShown}`;
  }
  // The record keeps the cause; what the text had put in is not in it.
  return `${gate}: ${row.leaves || row.text.replace(/\{[a-z_]+\}/g, '…')}`;
}

/**
 * Say what came up, by the first sentence of its text. What a gate leaves is true of one that was
 * passed alone. The record keeps the cause: what the text had put in is not in it, and a list of
 * names at the end is left out.
 */
function tellRaised(cause: string, rows: Rows, words: PaperWords): string {
  const row = findRow(cause, rows);
  const [gate = ''] = cause.split(' ');
  if (row === undefined) return `${words.say('report.not_held', { gate })}.`;
  const [first = ''] = row.text.split('. ');
  const told = first
    .replace(/\.$/, '')
    .replace(/\{[a-z_]+\}/g, '…')
    .replace(/: …$/, '');
  return `${gate}: ${told}.`;
}

function findRow(cause: string, rows: Rows): Row | undefined {
  const [gate = '', when = ''] = cause.split(' ');
  return rows.get(`${gate} ${when}`);
}

function readRows(book: RuleBook): Rows {
  try {
    const { rows } = book.ruleFileOrListed(GATES, readGateRow);
    return new Map(rows.map((row) => [`${row.id} ${row.when}`, row]));
  } catch (error) {
    if (error instanceof RuleFileError) return new Map();
    throw error;
  }
}
