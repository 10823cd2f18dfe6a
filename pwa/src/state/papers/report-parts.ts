/** Parts of the report that are read off the record as they stand. Pure. Rest of the twin. */
import {
  FACT_NAMES,
  GRADES,
  gradeAdverseEvent,
  type Scale,
} from '../../clinical-rules/adverse-events';
import { ClinicalRuleError } from '../../clinical-rules/errors';
import type { RuleBook } from '../../clinical-rules/rule-book';
import type { Json } from '../../ports';
import { deviceOf, headsOf, nameDevice, sayExpiry, sayLot, tableVisits } from './case-given';
import { tellLots } from './case-lots';
import { lines, type Pair, type Part, pairs, table } from './paper';
import type { PaperWords } from './paper-words';
import {
  civilDateOf,
  isCount,
  ofKind,
  type Parts,
  partIn,
  partsOf,
  rowsIn,
  type ShownCase,
  type ShownRecord,
  structure,
  text,
  textIn,
} from './shown-case';

const OUTCOME = ['doppler_flow', 'technical_success'];
const ORDERS = ['nil_by_mouth_hours', 'observation_hours', 'antibiotic_days'];
const SCALES = Object.keys(GRADES) as Scale[];

export function reportPackages(shown: ShownCase, words: PaperWords): Part {
  const used = new Set(ofKind(shown, 'coil_placed').map((one) => text(one, 'package')));
  const rows = ofKind(shown, 'package_opened').map((one) => {
    const device = deviceOf(shown, one);
    return [
      nameDevice(shown, one, words),
      sayLot(device, words),
      textIn(device, 'serial'),
      sayExpiry(device, words),
      words.value('fate', used.has(one.record) ? 'placed' : text(one, 'fate')),
    ];
  });
  const heading = words.say('report.packages');
  const heads = headsOf(words, 'common', ['what', 'lot', 'serial', 'use_by', 'became']);
  const told = rows.length > 0 ? table(heads, rows) : lines([words.say('report.no_packages')]);
  return { heading, blocks: [told, ...tellLots(shown, words)] };
}

export function reportOutcome(shown: ShownCase, words: PaperWords): Part {
  const closeOut = `step_event/${shown.itself.record.replace(/^case\//, '')}-close-out`;
  const held = shown.records.find(({ record }) => record === closeOut) ?? null;
  let said: Parts = structure(held, 'answers');
  if (Object.keys(said).length === 0) {
    said = structure(ofKind(shown, 'sign_off').at(-1) ?? null, 'outcome');
  }
  const last = ofKind(shown, 'step_event').findLast((one) => text(one, 'step') === 'final_doppler');
  if (!Object.hasOwn(said, 'doppler_flow') && text(last ?? null, 'outcome') === 'not-seen') {
    said = { ...said, doppler_flow: 'none' };
  }
  const none = words.say('report.not_entered');
  const rows = OUTCOME.map(
    (name): Pair => [words.say(`report.${name}`), words.value(name, partIn(said, name)) || none],
  );
  for (const name of ORDERS) {
    const count = partIn(said, name);
    const unit = name.endsWith('days') ? 'report.days' : 'report.hours';
    rows.push([words.say(`report.${name}`), isCount(count) ? words.say(unit, { count }) : none]);
  }
  return { heading: words.say('report.outcome'), blocks: [pairs(rows)] };
}

export function reportEvents(
  shown: ShownCase,
  book: RuleBook,
  words: PaperWords,
): { part: Part; files: Parts[] } {
  const all = ofKind(shown, 'complication');
  const events = all.filter((one) => text(one, 'what') !== 'none');
  const heading = words.say('report.events');
  if (events.length === 0) {
    const said = words.say(all.length > 0 ? 'report.no_events' : 'report.events_not_asked');
    return { part: { heading, blocks: [lines([said])] }, files: [] };
  }
  const files: Parts[] = [];
  const rows = events.map((event) => {
    const graded = grade(event, book, words);
    files.push(...graded.files);
    const on = textIn(factsOf(event), 'on') || civilDateOf(shown, text(event, 'at'));
    const what = words.value('what', text(event, 'what'));
    const note = text(event, 'note');
    return [words.day(on), note === '' ? what : `${what}. ${note}`, ...graded.grades];
  });
  const heads = [...headsOf(words, 'common', ['day', 'what']), 'AGREE', 'ASGE'];
  return { part: { heading, blocks: [table(heads, rows)] }, files };
}

/** Return the facts with one answer: each press keeps its own beside the others. */
function factsOf(event: ShownRecord): Parts {
  const held = event.held.facts ?? [partIn(event.shows, 'facts')];
  const answers = new Map<string, Map<string, Json>>();
  for (const one of held) {
    for (const [name, answer] of Object.entries(partsOf(one))) {
      if (answer === null) continue;
      const known = answers.get(name) ?? new Map<string, Json>();
      answers.set(name, known.set(JSON.stringify(answer), answer));
    }
  }
  return Object.fromEntries(
    [...answers]
      .filter(([, known]) => known.size === 1)
      .map(([name, known]) => [name, [...known.values()][0] as Json]),
  );
}

function grade(event: ShownRecord, book: RuleBook, words: PaperWords) {
  const facts = Object.fromEntries(
    Object.entries(factsOf(event)).filter(([name]) =>
      (FACT_NAMES as readonly string[]).includes(name),
    ),
  );
  try {
    const answer = gradeAdverseEvent(facts, book);
    const grades = SCALES.map((scale) => {
      const said = words.value('grade', answer[scale].grade);
      return answer[scale].at_least ? words.say('report.at_least', { grade: said }) : said;
    });
    return { grades, files: rowsIn(answer.rule_files) };
  } catch (error) {
    if (!(error instanceof ClinicalRuleError)) throw error;
    return { grades: SCALES.map(() => words.say('report.not_graded')), files: [] };
  }
}

export function reportVisits(shown: ShownCase, words: PaperWords): Part {
  const heading = words.say('report.visits');
  const reason = words.value('no_follow_up', text(shown.itself, 'no_follow_up_because'));
  // Also beside visits that have all ended, as by a death: the table does not say why.
  const isSaid = reason !== '' && shown.visits.every((one) => text(one, 'status') === 'ended');
  const blocks = [
    ...(!isSaid ? [] : [lines([words.say('report.no_follow_up', { reason })])]),
    ...(shown.visits.length === 0 ? [] : [tableVisits(shown, words)]),
  ];
  return { heading, blocks: blocks.length > 0 ? blocks : [lines([words.say('report.no_visits')])] };
}
