/**
 * What a server answers when it is asked for outcomes: of its own cases at a unit, of the registry
 * at the hub. Shares lie between 0 and 1, days count from the treatment, adhesive is in microlitres.
 *
 * What is null was held back because it is of fewer than five cases, or cannot be known.
 */
type Share = number | null;
type Count = number | null;

/** By what the cases are narrowed; "" narrows nothing. `mix` is `field:value`, several by `,`. */
export interface OutcomesAsked {
  from_on: string;
  until_on: string;
  unit: string;
  mix: string;
}

/** What a figure means, in the words of whoever defined it (English), and who that is. */
export interface Defined {
  definition: string;
  source: string;
}

export interface UnitCount {
  unit: string;
  happened: Count;
  judged: Count;
  missing: Count;
  /** Treated so lately that the time of the outcome is not over: in no share. Not told by all. */
  not_due?: Count;
  suppressed: boolean;
}

/** One outcome; the interval is of 95 %. */
export interface OutcomeShare extends Defined {
  outcome: string;
  group: string;
  basis: string;
  happened: Count;
  judged: Count;
  missing: Count;
  not_due?: Count;
  low: Share;
  high: Share;
  suppressed: boolean;
  by_unit: readonly UnitCount[];
  /** What happened and was judged; of windows those missing are cases that have none. */
  counted?: 'cases' | 'windows';
}

/** A share from this day on, with its band; no band while nothing, or nobody, is left. */
export interface CurvePoint {
  day: number;
  share: number;
  low: Share;
  high: Share;
}
export interface AtRisk {
  day: number;
  cases: Count;
}

/** The share without an event so far. */
export interface SurvivalCurve extends Defined {
  outcome: string;
  cases: number;
  missing: Count;
  until_day: number;
  /** A point comes after so many events; 1 where it is missing. */
  told_every?: number;
  points: readonly CurvePoint[];
  at_risk: readonly AtRisk[];
}

/** The share with each event first so far. */
export interface CompetingRisks extends Defined {
  cases: number;
  missing: Count;
  until_day: number;
  /** A point comes after so many events; 1 where it is missing. */
  told_every?: number;
  at_risk: readonly AtRisk[];
  causes: readonly { cause: string; points: readonly CurvePoint[] }[];
}

export type Standing =
  | 'not-judged'
  /** Of rounded counts: on which side of a limit nobody can say (OC8). */
  | 'near-limit'
  | 'within'
  | 'alert-low'
  | 'alert-high'
  | 'alarm-low'
  | 'alarm-high';

export interface FunnelLimits {
  cases: number;
  low998: number;
  low95: number;
  high95: number;
  high998: number;
}
export interface FunnelUnit {
  unit: string;
  happened: Count;
  cases: Count;
  share: Share;
  standing: Standing;
  suppressed: boolean;
}
export interface OutcomeFunnel extends Defined {
  outcome: string;
  overall: number;
  missing: Count;
  dispersion: number | null;
  limits: readonly FunnelLimits[];
  units: readonly FunnelUnit[];
}

/** The risk-adjusted sum of one unit; after a signal it begins anew. */
export interface RiskSum extends Defined {
  unit: string;
  outcome: string;
  missing: Count;
  limit: number;
  /** Cases on average until a signal comes without cause; null where that is not known. */
  run_length: number | null;
  points: readonly { number: number; month: string; value: number; is_signal: boolean }[];
}

/** The middle case and the middle half of cases. */
export interface CaseAmount extends Defined {
  amount: string;
  cases: Count;
  missing: Count;
  median: number | null;
  low: number | null;
  high: number | null;
}

export interface OutcomesAnswer {
  as_of_ms: number;
  from_on: string;
  until_on: string;
  cases: Count;
  cautions: readonly string[];
  units: readonly { unit: string; name: string; cases: Count }[];
  mixes: readonly { field: string; values: readonly string[] }[];
  outcomes: readonly OutcomeShare[];
  sources: readonly { source: string; happened: Count }[];
  survival: readonly SurvivalCurve[];
  competing: CompetingRisks | null;
  funnels: readonly OutcomeFunnel[];
  cusums: readonly RiskSum[];
  amounts: readonly CaseAmount[];
  months: readonly { month: string; cases: Count; happened: Readonly<Record<string, Count>> }[];
}

/** What a desk asks for outcomes. */
export interface OutcomeQuestions {
  outcomes: { asks: OutcomesAsked; tells: OutcomesAnswer };
}
