/**
 * What was known before the procedure: why, what was agreed, liver and blood. Pure.
 * Twin of `api/documents/case_findings.py`.
 */
import { isCivilDate } from '../../clinical-rules/civil-date';
import { CalculationRefusedError, ClinicalRuleError } from '../../clinical-rules/errors';
import { countYears } from '../../clinical-rules/intended-use';
import { tellLabAlso } from '../../clinical-rules/lab-units';
import { answerLiverScores } from '../../clinical-rules/liver-scores';
import type { RuleBook } from '../../clinical-rules/rule-book';
import type { Json } from '../../ports';
import { compare, headsOf } from './case-given';
import { type Block, lines, type Pair, type Part, pairs, table } from './paper';
import { type PaperWords, thousandths } from './paper-words';
import {
  dayOf,
  nameOf,
  ofKind,
  type Parts,
  partIn,
  rowsIn,
  type ShownCase,
  type ShownRecord,
  structure,
  text,
  textIn,
  texts,
  textsIn,
  whole,
} from './shown-case';

const CHOICES = ['indication', 'varix_class', 'cause', 'ascites', 'encephalopathy'];
const SHUNTS = ['shunt', 'right_to_left_shunt'];
const ANALYTES = [
  ...['bilirubin', 'albumin', 'creatinine', 'inr'],
  ...['sodium', 'platelets', 'haemoglobin', 'urea'],
];
const KEYS: Readonly<Record<string, string>> = { inr: 'inr', sodium: 'sodium_mmol_l' };
const NOT_ASKED = ['platelets'];

/** Return why the case was treated, and its shunts. */
export function reportReasons(shown: ShownCase, words: PaperWords): Part {
  const { itself } = shown;
  const rows = CHOICES.map((field) => row(shown, field, words));
  rows.splice(2, 0, [words.say('report.stigmata'), list(itself, 'stigmata', words)]);
  const past = whole(itself, 'past_bleeds');
  rows.splice(4, 0, [words.say('report.past_bleeds'), past === null ? '' : String(past)]);
  rows.push(...SHUNTS.map((field) => row(shown, field, words)));
  rows.push([words.say('report.allergies'), list(itself, 'allergies', words)]);
  return { heading: words.say('report.reasons'), blocks: [entered(rows, words)] };
}

/** Return consent, airway, antibiotic and drugs as they were agreed. */
export function reportAgreed(shown: ShownCase, words: PaperWords): Part {
  const { itself } = shown;
  const [consent, airway] = [structure(itself, 'consent'), structure(itself, 'airway')];
  const [takenBy, decided] = [textIn(consent, 'taken_by'), textIn(airway, 'decided_with')];
  const rows: Pair[] = [
    [
      words.say('report.consent'),
      join(
        words.value('consent', partIn(consent, 'given')),
        takenBy && nameOf(shown, takenBy),
        words.day(text(itself, 'consent', 'on')),
      ),
    ],
    [
      words.say('report.airway'),
      join(words.value('airway', partIn(airway, 'choice')), decided && nameOf(shown, decided)),
    ],
    [
      words.say('report.antibiotic'),
      join(
        words.value('antibiotic', partIn(structure(itself, 'antibiotic'), 'given')),
        text(itself, 'antibiotic', 'agent'),
      ),
    ],
    [words.say('report.drugs'), sayDrugs(shown, words)],
  ];
  return { heading: words.say('report.agreed'), blocks: [entered(rows, words)] };
}

/** Return the drugs that thin the blood as they were entered, "" where nobody said. */
export function sayDrugs({ itself }: ShownCase, words: PaperWords): string {
  const drugs = partIn(structure(itself, 'antithrombotics'), 'drugs');
  if (drugs === undefined || drugs === null) return '';
  const names = textsIn(drugs).map((one) => words.value('drug', one).replaceAll('_', ' '));
  return names.join(', ') || words.say('report.no_drugs');
}

/** Return the request for the liver scores; what is not entered, or in doubt, is left out. */
function askScores(shown: ShownCase): Record<string, Json> {
  const request: Record<string, Json> = {};
  for (const lab of latestLabs(shown)) {
    const analyte = text(lab, 'analyte');
    const milli = whole(lab, 'result', 'value_milli');
    const unit = text(lab, 'result', 'unit');
    // Nobody has said that a number without an origin was measured (HAZ-09).
    if (NOT_ASKED.includes(analyte) || milli === null || text(lab, 'result', 'origin') === '') {
      continue;
    }
    const bare = KEYS[analyte];
    if (bare === undefined) request[analyte] = { value: milli / 1_000, unit };
    else request[bare] = milli / 1_000;
  }
  for (const field of ['ascites', 'encephalopathy', 'dialysis']) {
    const held = partIn(shown.itself.shows, field);
    if (held !== undefined) request[field] = held;
  }
  const sex = text(shown.patient, 'sex');
  if (sex !== '') request.sex = sex;
  const [bornOn, on] = [text(shown.patient, 'born_on'), dayOf(shown) || shown.on];
  if (isCivilDate(bornOn) && bornOn <= on) request.age_years = countYears(bornOn, on);
  return request;
}

/** Return the latest result of each analyte, in their usual order. */
function latestLabs(shown: ShownCase): ShownRecord[] {
  return ANALYTES.flatMap((analyte) =>
    // The last of those of the latest day: sorting keeps the order of entry.
    ofKind(shown, 'lab_result')
      .filter((one) => text(one, 'analyte') === analyte)
      .sort((one, other) =>
        compare(text(one, 'result', 'taken_on'), text(other, 'result', 'taken_on')),
      )
      .slice(-1),
  );
}

/** Return laboratory values and scores, and the rule files that the scores come from. */
export function reportLiver(
  shown: ShownCase,
  book: RuleBook,
  words: PaperWords,
): { part: Part; files: Parts[] } {
  const labs = latestLabs(shown);
  const cells = labs.map((lab) => [
    words.value('analyte', text(lab, 'analyte')),
    lab.conflicts.includes('result')
      ? words.say('common.two_answers')
      : thousandths(whole(lab, 'result', 'value_milli')),
    unitOf(lab, book, words),
    words.value('origin', text(lab, 'result', 'origin')),
    words.day(text(lab, 'result', 'taken_on')),
  ]);
  const heads = headsOf(words, 'report', ['result', 'amount', 'unit', 'origin', 'taken_on']);
  const blocks: Block[] = [
    labs.length > 0 ? table(heads, cells, [1]) : lines([words.say('report.no_labs')]),
  ];
  const heading = words.say('report.liver');
  if (shown.outside.length > 0) return { part: { heading, blocks }, files: [] };
  const { rows, files, remark } = score(shown, book, words);
  if (rows.length > 0) blocks.push(pairs(rows));
  if (remark !== '') blocks.push(lines([remark]));
  return { part: { heading, blocks }, files };
}

/** Return the unit, and the amount in the other one that is in use for it (HAZ-51). */
function unitOf(lab: ShownRecord, book: RuleBook, words: PaperWords): string {
  const unit = text(lab, 'result', 'unit');
  const said = words.value('unit', unit);
  const milli = whole(lab, 'result', 'value_milli');
  if (milli === null || lab.conflicts.includes('result')) return said;
  const other = tellLabAlso(text(lab, 'analyte'), milli, unit, book);
  return other === null ? said : `${said} (${other[0]} ${words.value('unit', other[1])})`;
}

function score(shown: ShownCase, book: RuleBook, words: PaperWords) {
  const rows: Pair[] = [];
  try {
    const answer = answerLiverScores(askScores(shown), book);
    const [child, albi] = [answer.child_pugh, answer.albi];
    if ('class' in child) rows.push(['Child-Pugh', `${child.class} (${child.points})`]);
    for (const [name, part] of [
      ['MELD', answer.meld],
      ['MELD-Na', answer.meld_na],
      ['MELD 3.0', answer.meld_3],
    ] as const) {
      if ('score' in part) rows.push([name, String(part.score)]);
    }
    if ('grade' in albi) rows.push(['ALBI', words.say('report.grade', { grade: albi.grade })]);
    const names = latestLabs(shown)
      .filter((lab) => !['measured', ''].includes(text(lab, 'result', 'origin')))
      .map((lab) => words.value('analyte', text(lab, 'analyte')))
      .join(', ');
    const remark = names === '' ? '' : words.say('report.estimated', { names });
    return { rows, files: rowsIn(answer.rule_files), remark };
  } catch (error) {
    if (error instanceof CalculationRefusedError) {
      return { rows: [], files: [], remark: words.say('report.no_scores') };
    }
    if (error instanceof ClinicalRuleError) return { rows: [], files: [], remark: error.message };
    throw error;
  }
}

function row(shown: ShownCase, field: string, words: PaperWords): Pair {
  const isInDoubt = shown.itself.conflicts.includes(field);
  return [
    words.say(`report.${field}`),
    isInDoubt ? words.say('common.two_answers') : words.value(field, text(shown.itself, field)),
  ];
}

function list(itself: ShownRecord, field: string, words: PaperWords): string {
  if (itself.conflicts.includes(field)) return words.say('common.two_answers');
  return words.listed(field, texts(itself, field));
}

function entered(rows: readonly Pair[], words: PaperWords): Block {
  return pairs(rows.map(([label, held]) => [label, held || words.say('report.not_entered')]));
}

function join(...parts: string[]): string {
  return parts.filter((part) => part !== '').join(', ');
}
