/**
 * Gates: what of the tool's own output is withheld now, why, and who may go on. Twin of `gates.py`.
 *
 * The tool may withhold its own number, the word "done", a signature or a letter. It never refuses
 * to record what people did (GATE-00): no answer of this module can say so.
 */
import { RuleFileError } from './errors';
import { CONDITIONS } from './gate-conditions';
import { type FactName, readFacts } from './gate-facts';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf, type RuleFile, rowShape } from './rule-file';
import { listOf, naturalNumber, oneOf, shape, text } from './shapes';
import { limitsOf, readLimitRow } from './sizing-limits';

export const GATES = 'gates/default';
const LIMITS = 'sizing/limits';
/** Offered with every gate; stands in no row. */
export const OTHER_REASON = 'other';

const MOST_WORDS = 20;
const MOST_REASONS = 6;
const PLACE = /\{([a-z_]+)\}/g;

/**
 * One gate or soft remark under one condition of `CONDITIONS`. A limit stands in the row (`limit`,
 * in `limit_unit`) or is an item of sizing/limits (`limit_item`). `unless` names the condition of
 * an earlier row that takes this one's place.
 */
export const readGateRow = rowShape(
  {
    id: text,
    when: text,
    level: oneOf('hard', 'soft'),
    withholds: listOf(oneOf('number', 'done', 'signature', 'letter')),
    text,
    reasons: listOf(shape({ id: text, words: text })),
    owner: text,
  },
  {
    may_pass: oneOf('nobody', 'endoscopist', 'endoscopist-and-second-person'),
    leaves: text,
    limit: naturalNumber,
    limit_unit: text,
    limit_item: text,
    unless: text,
  },
);
type GateRow = ReturnType<typeof readGateRow>;

/** One gate that stands, or one soft remark. */
export interface Gate {
  id: string;
  /** Gate, condition and what it is about: one cause, one alert a case (GATE-04). */
  cause: string;
  level: 'hard' | 'soft';
  text: string;
  withholds: readonly ('number' | 'done' | 'signature' | 'letter')[];
  may_pass: 'nobody' | 'endoscopist' | 'endoscopist-and-second-person' | null;
  reasons: readonly { id: string; words: string }[];
  /** What passing it leaves on the report. */
  leaves: string | null;
  /** Raised before: a mark is enough. It still withholds. */
  quiet: boolean;
  /** The facts it was found in. */
  inputs: readonly FactName[];
  owner: string;
  basis: Basis | null;
  source: string | null;
}

export interface GatesAnswer {
  gates: Gate[];
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return the gates and soft remarks that the facts raise, in the order of the rows. GT1-GT14, GT17, GT18.
 *
 * A file that nobody has approved yet still holds back: a missing approval withholds more, never
 * less.
 *
 * @param request - parsed JSON with the keys of `gates` in RULES.md, all optional: lengths in
 * micrometres, amounts in microlitres, times in milliseconds; a fact left out raises nothing
 * @throws ShapeError for a wrong key, type or word; RuleFileError for a row that contradicts itself
 */
export function findGates(request: unknown, ruleBook: RuleBook): GatesAnswer {
  const facts = readFacts(request, '');
  const gates = ruleBook.ruleFileOrListed(GATES, readGateRow);
  const limitsFile = ruleBook.ruleFileOrListed(LIMITS, readLimitRow);
  refuseRowFaults(gates);
  const limitOf = limitsOf(limitsFile);
  const raisedBefore = new Set(facts.already_raised);
  const raisedNow = new Set<string>();
  const found: Gate[] = [];
  for (const row of gates.rows) {
    const condition = CONDITIONS[row.when];
    const isReplaced = row.unless !== undefined && raisedNow.has(row.unless);
    if (condition === undefined || isReplaced) continue;
    if (condition.needs.some((fact) => facts[fact] === undefined)) continue;
    const limit = row.limit_item === undefined ? (row.limit ?? 0) : limitOf(row.limit_item);
    const used = [...condition.needs, ...condition.uses].filter(
      (fact) => facts[fact] !== undefined,
    );
    for (const { about, places } of condition.find(facts, limit)) {
      raisedNow.add(row.when);
      const cause = `${row.id} ${row.when}${about === '' ? '' : ` ${about}`}`;
      found.push({
        id: row.id,
        cause,
        level: row.level,
        text: row.text.replace(PLACE, (_, name: string) => places[name] ?? ''),
        withholds: row.withholds,
        may_pass: row.may_pass ?? null,
        reasons: row.reasons,
        leaves: row.leaves ?? null,
        quiet: raisedBefore.has(cause),
        inputs: used,
        owner: row.owner,
        basis: row.basis ?? null,
        source: row.source ?? null,
      });
      raisedBefore.add(cause);
    }
  }
  return { gates: found, rule_files: nameRuleFiles(gates, limitsFile) };
}

/**
 * Refuse rows that contradict themselves or say too much.
 *
 * @throws RuleFileError that names the row, counted from 1, and the key to correct
 */
export function refuseRowFaults(gates: RuleFile<GateRow>): void {
  for (const [place, row] of gates.rows.entries()) {
    const fault = findFault(row, gates.rows.slice(0, place));
    if (fault !== '') {
      throw new RuleFileError(`Rule file ${pathOf(gates)}: row ${place + 1} ${fault}`);
    }
  }
}

function findFault(row: GateRow, earlier: readonly GateRow[]): string {
  const condition = Object.hasOwn(CONDITIONS, row.when) ? CONDITIONS[row.when] : undefined;
  if (condition === undefined) {
    const all = Object.keys(CONDITIONS).join(', ');
    return `has the condition ${row.when}, which is none. Take one of ${all}.`;
  }
  const known = earlier.map((one) => one.when);
  if (known.includes(row.when)) {
    return `repeats the condition ${row.when}. Remove one of the two.`;
  }
  if (row.unless !== undefined && !known.includes(row.unless)) {
    return 'names in `unless` no condition of an earlier row. Correct it.';
  }
  if (row.owner === '' || row.source === undefined || row.basis === undefined) {
    return 'needs `owner`, `source` and `basis`. Add them.';
  }
  if (row.text.split(' ').length > MOST_WORDS) {
    return `has more than ${MOST_WORDS} words. Shorten \`text\`.`;
  }
  for (const [, name = ''] of row.text.matchAll(PLACE)) {
    if (!condition.places.includes(name)) {
      return `has the place ${name}, which ${row.when} does not fill. Correct \`text\`.`;
    }
  }
  return findLimitFault(row, condition.limitUnit) || findPassFault(row);
}

function findLimitFault(row: GateRow, unit: string | null): string {
  // Amounts of adhesive are limited in one place, sizing/limits, and not a second time here.
  const ofItem = unit === 'ul';
  const ownUnit = ofItem ? null : unit;
  if (
    (row.limit_item !== undefined) !== ofItem ||
    (row.limit !== undefined) !== (ownUnit !== null) ||
    (row.limit_unit ?? null) !== ownUnit
  ) {
    const wanted = ofItem ? '`limit_item` alone' : unit ? `\`limit\` in ${unit}` : 'no limit';
    return `needs ${wanted} for ${row.when}. Correct it.`;
  }
  return '';
}

function findPassFault(row: GateRow): string {
  const isHard = row.level === 'hard';
  const has = [row.withholds.length > 0, row.may_pass !== undefined, row.leaves !== undefined];
  if (has.some((one) => one !== isHard)) {
    return 'is hard with `withholds`, `may_pass` and `leaves`, or soft without any. Correct it.';
  }
  const ids = row.reasons.map(({ id }) => id);
  // A soft row may ask why; a hard one asks where somebody may pass it, and only there.
  const asks = isHard ? row.may_pass !== 'nobody' : ids.length > 0;
  if (ids.length > 0 !== asks || ids.length > MOST_REASONS) {
    return `needs 1 to ${MOST_REASONS} reasons where somebody may pass, else none. Correct it.`;
  }
  if (new Set(ids).size !== ids.length || ids.includes(OTHER_REASON)) {
    return `has a reason twice, or one called ${OTHER_REASON}. Correct \`reasons\`.`;
  }
  return '';
}
