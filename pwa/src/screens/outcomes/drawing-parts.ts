/** What all drawings of outcomes share: their words, inks and axes. */
import { axisX, axisY, type Markish, type PlotOptions, plot } from '@observablehq/plot';
import { plainDrawing } from '../plain-drawing';

/** The words in a drawing, in the language spoken now. */
export interface DrawnWords {
  axes: Readonly<
    Record<
      | 'perCentOfJudged'
      | 'perCent'
      | 'days'
      | 'unitCases'
      | 'number'
      | 'sum'
      | 'cases'
      | 'bleeds'
      | 'watched',
      string
    >
  >;
  name: (id: string) => string;
  cause: (id: string) => string;
  month: (month: string) => string;
  /** Beside one share: how many of how many, and how many are missing. */
  counts: (outcome: string) => string;
  amount: (amount: number) => string;
  /** Stands where a count is held back. */
  held: string;
}

export const FONT = 16;
export const INK = 'var(--text)';
export const MARK = 'var(--notice)';
export const OTHER = 'var(--danger)';
export const FAINT = 'var(--line)';
export const GROUND = 'var(--panel)';
/** Room of one line of a list, in pixels. */
export const ROW = 64;

export const faint = { stroke: FAINT, strokeOpacity: 0.45 };
const label = { labelAnchor: 'center', labelArrow: 'none', fontSize: FONT, color: INK } as const;

/** Write a share as a whole per cent at an axis. */
export const perCents = (share: number) => String(Math.round(share * 100));

export function bottomAxis(words: string, more: object = {}): Markish {
  return axisX({ label: words, labelOffset: 48, ...label, ...more });
}

export function sideAxis(words: string, more: object = {}): Markish {
  return axisY({ label: words, ...label, labelAnchor: 'top', ...more });
}

/** Draw without what the library says for itself; `OutcomePicture` says and styles it. */
export function drawPlain(options: PlotOptions, width: number): Element {
  return plainDrawing(plot({ width, ...options }));
}
