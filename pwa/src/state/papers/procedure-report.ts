/**
 * The report of a procedure: what was found, planned and done, and who signed it. Pure.
 * Twin of `api/documents/procedure_report.py`.
 */
import type { RuleBook } from '../../clinical-rules/rule-book';
import { reportAgreed, reportLiver, reportReasons } from './case-findings';
import { headsOf } from './case-given';
import { reportLeftOut, reportNotSo, stepsOf, unmeasuredFlushes } from './case-steps';
import {
  type Block,
  blanks,
  lines,
  type Pair,
  type Paper,
  type Part,
  pairs,
  points,
  table,
} from './paper';
import { footOf, headOf, senderOf } from './paper-head';
import type { PaperWords } from './paper-words';
import { reportCautions, reportPassed } from './passed-gates';
import { reportEvents, reportOutcome, reportPackages, reportVisits } from './report-parts';
import {
  civilDateOf,
  countText,
  doubtsOf,
  kindOf,
  nameOf,
  ONE_ANSWER,
  ofKind,
  once,
  type Parts,
  partIn,
  partsOf,
  rowsIn,
  type ShownCase,
  type ShownRecord,
  structure,
  targetsOf,
  text,
  textIn,
  texts,
  timeOf,
} from './shown-case';
import { reportInAll, reportTarget } from './target-report';
import { howConfirmed, sayActor } from './who-confirmed';

const HASH_SHOWN = 16;
const STARTED = ['in-procedure', 'closing', 'closed'];

/**
 * Return the report of a case.
 *
 * What is not entered is said to be so, two answers are said and neither is printed (HARD-06), and
 * of a case outside the stated use nothing planned or computed is printed (HAZ-13).
 */
export function writeReport(shown: ShownCase, book: RuleBook, words: PaperWords): Paper {
  const liver = reportLiver(shown, book, words);
  const events = reportEvents(shown, book, words);
  const steps = stepsOf(shown, book);
  const unmeasured = unmeasuredFlushes(shown, steps, words);
  return {
    paper: 'procedure-report',
    language: words.language,
    is_draft: words.isDraft,
    title: words.say('report.title'),
    sender: senderOf(shown),
    recipient: null,
    dated: words.day(shown.on),
    head: headOf(shown, words),
    parts: [
      ...reportDoubts(shown, words),
      reportTeam(shown, words),
      reportReasons(shown, words),
      reportAgreed(shown, words),
      liver.part,
      ...targetsOf(shown).map((target) => reportTarget(shown, target, unmeasured, words)),
      ...reportInAll(shown, unmeasured, words),
      reportPackages(shown, words),
      reportOutcome(shown, words),
      reportLeftOut(shown, steps, words),
      ...reportNotSo(shown, steps, words),
      reportPassed(shown, book, words),
      reportCautions(shown, book, words),
      events.part,
      reportVisits(shown, words),
      ...reportPictures(shown, words),
      reportSignatures(shown, words),
      reportFiles(shown, [...liver.files, ...events.files], words),
    ],
    faces: [],
    foot: footOf(shown, words),
  };
}

/** Return what is in doubt, said before everything else. */
function reportDoubts(shown: ShownCase, words: PaperWords): Part[] {
  const held = doubtsOf(shown).map(([one, field]) => {
    // Decisions asks nothing of a kind that keeps every value: one entry is to go.
    const key = ONE_ANSWER.includes(kindOf(one)) ? 'report.two_entries' : 'report.two_answers';
    return words.say(key, { field: field.replaceAll('_', ' '), record: one.record });
  });
  if (shown.is_changed) held.push(words.say('report.changed'), sayChanged(shown, words));
  if (shown.outside.length > 0) held.push(words.say('report.record_only'));
  const isBegun = STARTED.includes(text(shown.itself, 'stage'));
  if (!isBegun && ofKind(shown, 'puncture').length === 0) held.push(words.say('report.not_done'));
  return held.length > 0 ? [{ heading: words.say('report.doubts'), blocks: [points(held)] }] : [];
}

function sayChanged(shown: ShownCase, words: PaperWords): string {
  // Names of fields alone: what they say stands below.
  const what = shown.changed
    .map(([record, field]) =>
      words.say('report.field_of', { field: field.replaceAll('_', ' '), record }),
    )
    .join(', ');
  return words.say(what === '' ? 'report.changed_unseen' : 'report.changed_what', { what });
}

function reportTeam(shown: ShownCase, words: PaperWords): Part {
  const listed = rowsIn(partIn(shown.itself.shows, 'roster'));
  const roster = listed.map((one) => textIn(one, 'staff') || textIn(one, 'by'));
  const named = roster.length > 0 ? roster : texts(shown.itself, 'roster');
  const recorded = once(
    shown.records.filter((one) => kindOf(one) !== 'visit_result').map(({ by }) => by),
  );
  const rows = (
    [
      ['report.roster', named],
      ['report.recorded_by', recorded],
    ] as const
  )
    .filter(([, people]) => people.length > 0)
    .map(
      ([label, people]): Pair => [
        words.say(label),
        people.map((one) => sayPerson(shown, one, words)).join(', '),
      ],
    );
  return { heading: words.say('report.team'), blocks: [pairs(rows)] };
}

function sayPerson(shown: ShownCase, person: string, words: PaperWords): string {
  const found = shown.staff.find(({ record }) => record === person) ?? null;
  const role = words.value('role', text(found, 'role'));
  return role === '' ? nameOf(shown, person) : `${nameOf(shown, person)} (${role})`;
}

function reportPictures(shown: ShownCase, words: PaperWords): Part[] {
  const blocks = ofKind(shown, 'picture').flatMap((one, place): Block[] => {
    const sha256 = text(one, 'file', 'sha256');
    const time = timeOf(shown, text(one, 'at'));
    const said = words.say('report.picture', { number: place + 1, time });
    return sha256 === '' ? [] : [{ kind: 'picture', sha256, words: said }];
  });
  return blocks.length > 0 ? [{ heading: words.say('report.pictures'), blocks }] : [];
}

/** Return who signed with the role; of whom the unit's list knows nothing, as stated. */
function saySigner(shown: ShownCase, signature: ShownRecord, words: PaperWords): string {
  const isKnown = shown.staff.some(({ record }) => record === signature.by);
  return isKnown ? sayPerson(shown, signature.by, words) : sayActor(shown, signature, words);
}

function reportSignatures(shown: ShownCase, words: PaperWords): Part {
  const signed = ofKind(shown, 'sign_off').map((one) => {
    const at = text(one, 'at');
    return words.say('report.signed', {
      name: saySigner(shown, one, words),
      day: words.day(civilDateOf(shown, at)),
      time: timeOf(shown, at),
      how: words.value('confirmed', howConfirmed(one)),
      digest: text(one, 'digest').slice(0, HASH_SHOWN),
    });
  });
  const blocks = [lines(signed.length > 0 ? signed : [words.say('report.not_signed')])];
  if (shown.is_changed) blocks.push(lines([words.say('report.changed')]));
  blocks.push(blanks([words.say('report.by_hand')]));
  return { heading: words.say('report.signatures'), blocks };
}

function reportFiles(shown: ShownCase, computed: readonly Parts[], words: PaperWords): Part {
  const plan = shown.outside.length > 0 ? {} : structure(shown.itself, 'plan');
  const own = structure(shown.itself, 'step_protocol');
  const takenUp = Object.keys(own).length > 0 ? own : partsOf(partIn(plan, 'protocol'));
  const found = [
    ...rowsIn(partIn(partsOf(partIn(plan, 'answer')), 'rule_files')),
    takenUp,
    ...computed,
  ].filter((one) => textIn(one, 'name') !== '');
  const rows = new Map(
    found.map((one) => {
      const cells = [
        textIn(one, 'name'),
        countText(one, 'version'),
        textIn(one, 'sha256').slice(0, HASH_SHOWN),
      ];
      return [JSON.stringify(cells), cells];
    }),
  );
  const heading = words.say('report.rule_files');
  if (rows.size === 0) return { heading, blocks: [lines([words.say('report.no_rule_files')])] };
  const heads = headsOf(words, 'common', ['name', 'version', 'hash']);
  return { heading, blocks: [table(heads, [...rows.values()], [1])] };
}
