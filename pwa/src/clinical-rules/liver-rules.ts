/**
 * The rule files behind the liver and bleeding scores: bands, coefficients, ranges of inputs.
 * Twin of `liver_rules.py`.
 */
import { boundKeys, findBand, readDecimal, refuseBandFaults } from './bands';
import { RuleFileError } from './errors';
import type { Exact } from './measures';
import type { RuleBook } from './rule-book';
import { type Basis, pathOf, type RuleFile, rowShape } from './rule-file';
import { text, wholeNumber } from './shapes';

const readBandRow = rowShape(
  { score: text, item: text },
  { ...boundKeys, unit: text, word: text, points: wholeNumber, label: text },
);
const readCoefficientRow = rowShape({ score: text, term: text, factor: text });
const readRangeRow = rowShape({ input: text, unit: text, at_least: text, at_most: text });

type BandRow = ReturnType<typeof readBandRow>;

/** The three rule files of the scores, checked and by name; a missing row is a RuleFileError. */
export class LiverRules {
  readonly bands: RuleFile<BandRow>;
  readonly coefficients: RuleFile<ReturnType<typeof readCoefficientRow>>;
  readonly ranges: RuleFile<ReturnType<typeof readRangeRow>>;
  readonly #items = new Map<string, BandRow[]>();
  readonly #factors = new Map<string, Exact>();

  constructor(ruleBook: RuleBook) {
    this.bands = ruleBook.ruleFile('liver_scores/bands', readBandRow);
    this.coefficients = ruleBook.ruleFile('liver_scores/coefficients', readCoefficientRow);
    this.ranges = ruleBook.ruleFile('liver_scores/input_ranges', readRangeRow);
    for (const row of this.bands.rows) {
      const key = `${row.score} ${row.item}`;
      this.#items.set(key, [...(this.#items.get(key) ?? []), row]);
    }
    for (const [key, rows] of this.#items) {
      if (rows[0]?.word === undefined) refuseBandFaults(pathOf(this.bands), key, rows);
    }
    for (const { score, term, factor } of this.coefficients.rows) {
      this.#factors.set(`${score} ${term}`, readDecimal(factor, pathOf(this.coefficients)));
    }
  }

  /** Return a coefficient or bound. */
  factor(score: string, term: string): Exact {
    const factor = this.#factors.get(`${score} ${term}`);
    if (factor === undefined) {
      throw new RuleFileError(
        `Rule file ${pathOf(this.coefficients)}: ${score} has no term ${term}. Add the row.`,
      );
    }
    return factor;
  }

  /** Return the row of an item that holds the amount. */
  band(score: string, item: string, amount: Exact): BandRow {
    return findBand(this.#rows(score, item), amount);
  }

  /** Return the points that an item gives for an amount or a word. */
  points(score: string, item: string, given: Exact | string): number {
    const row =
      typeof given === 'string'
        ? this.#rows(score, item).find((one) => one.word === given)
        : this.band(score, item, given);
    return row?.points ?? this.#refuse(score, row ? `points of ${item}` : `${item} ${given}`);
  }

  /** Return `basis` and `source` of a score, as its first row names them. */
  source(score: string): { basis: Basis | null; source: string | null } {
    const rows = [...this.bands.rows, ...this.coefficients.rows];
    const row = rows.find((one) => one.score === score);
    return { basis: row?.basis ?? null, source: row?.source ?? null };
  }

  #rows(score: string, item: string): readonly BandRow[] {
    return this.#items.get(`${score} ${item}`) ?? this.#refuse(score, item);
  }

  #refuse(score: string, item: string): never {
    throw new RuleFileError(
      `Rule file ${pathOf(this.bands)}: ${score} has no ${item}. Add the row.`,
    );
  }
}
