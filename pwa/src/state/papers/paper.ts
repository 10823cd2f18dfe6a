/**
 * What a paper is made of, before anybody lays it out: headings, pairs, tables, drawings, lines.
 * Twin of `api/documents/paper.py`; names and order of keys are those of the JSON.
 */
export const PAPER_KINDS = [
  'procedure-report',
  'referral-letter',
  'patient-leaflet',
  'implant-card',
  'lay-out-list',
] as const;
export type PaperKind = (typeof PAPER_KINDS)[number];

export type Pair = [label: string, shown: string];

/** The numbers a target is drawn from; lengths in micrometres, null where nobody entered one. */
export interface PaperSketch {
  label: string;
  origin: string;
  short_um: number | null;
  long_um: number | null;
  third_um: number | null;
  middle_um: number | null;
  near_um: number | null;
  far_um: number | null;
  route: string;
  crus_um: number | null;
  feeder_um: number | null;
  planned_stop_um: number | null;
  stop_um: number | null;
  planned_loops_um: number[];
  placed_loops_um: (number | null)[];
}

export type Block =
  | { kind: 'pairs'; rows: Pair[] }
  /** `right` names the columns whose numbers are set to the right. */
  | { kind: 'table'; head: string[]; rows: string[][]; right: number[] }
  | { kind: 'lines'; lines: string[] }
  | { kind: 'points'; lines: string[] }
  /** Lines to be filled by hand. */
  | { kind: 'blanks'; labels: string[] }
  | { kind: 'drawing'; words: string; sketch: PaperSketch }
  | { kind: 'picture'; sha256: string; words: string };

export interface Part {
  heading: string;
  blocks: Block[];
}

/** One side of a card; `qr` and `matrix` are what its codes say, "" for none. */
export interface Face {
  heading: string;
  pairs: Pair[];
  lines: string[];
  qr: string;
  matrix: string;
}

export interface Paper {
  paper: PaperKind;
  language: string;
  /** Nobody has reviewed the sentences of that language. */
  is_draft: boolean;
  title: string;
  sender: string[];
  /** Empty for lines to fill by hand, null where nobody is written to. */
  recipient: string[] | null;
  dated: string;
  head: Pair[];
  parts: Part[];
  faces: Face[];
  foot: string[];
  /** What marks every page of a unit in training, "" for none (HAZ-52); put on last. */
  mark?: string;
}

export const pairs = (rows: Pair[]): Block => ({ kind: 'pairs', rows });
export const table = (head: string[], rows: string[][], right: number[] = []): Block => ({
  kind: 'table',
  head,
  rows,
  right,
});
export const lines = (held: string[]): Block => ({ kind: 'lines', lines: held });
export const points = (held: string[]): Block => ({ kind: 'points', lines: held });
export const blanks = (labels: string[]): Block => ({ kind: 'blanks', labels });
