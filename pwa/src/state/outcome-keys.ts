/** Which marks a figure of outcomes has, so that only these are explained. Pure. */
import type { SurvivalCurve } from '../outcome-answers';
import type { Figure } from './outcome-figures';
import {
  countShapes,
  type FunnelShape,
  markMonths,
  markShares,
  type Told,
  whyNotDrawn,
} from './outcome-marks';

export type FigureKey =
  | 'share'
  | 'interval'
  | 'bounds'
  | 'curve'
  | 'band'
  | 'told'
  | 'rebleed'
  | 'death'
  | FunnelShape
  | 'limit95'
  | 'limit998'
  | 'overall'
  | 'sum'
  | 'limit'
  | 'signal'
  | 'bar'
  | 'heldBar'
  | 'heldWatched'
  | 'middle'
  | 'half';

const SHAPES = ['within', 'near-limit', 'alert', 'alarm', 'not-judged'] as const;

/** Return the marks of a figure in the order in which they are explained. */
export function listKeys(figure: Figure): FigureKey[] {
  switch (figure.kind) {
    case 'shares': {
      const isBounded = markShares(figure.outcomes).some(({ least, most }) => least < most);
      return ['share', 'interval', ...(isBounded ? (['bounds'] as const) : [])];
    }
    case 'sources':
      return [];
    case 'survival':
      return [...(isTold(figure.curve) ? TOLD : CURVE), ...heldKeys(figure.curve)];
    case 'competing': {
      const told = isTold(figure.risks) ? TOLD : (['band'] as const);
      return ['rebleed', 'death', ...told, ...heldKeys(figure.risks)];
    }
    case 'funnel': {
      if (whyNotDrawn(figure.funnel) !== null) return [];
      const counts = countShapes(figure.funnel);
      return [...SHAPES.filter((shape) => counts[shape] > 0), 'limit95', 'limit998', 'overall'];
    }
    case 'sum': {
      const hasSignal = figure.sum.points.some((point) => point.is_signal);
      return ['sum', 'limit', ...(hasSignal ? (['signal'] as const) : [])];
    }
    case 'months': {
      const isHeld = markMonths(figure.months).some(({ cases }) => cases === null);
      return isHeld ? ['bar', 'heldBar'] : [];
    }
    case 'amounts':
      return ['middle', 'half'];
  }
}

const TOLD = ['told', 'interval'] as const;
const CURVE = ['curve', 'band'] as const;
const heldKeys = ({ at_risk }: Pick<SurvivalCurve, 'at_risk'>): FigureKey[] =>
  at_risk.some(({ cases }) => cases === null) ? ['heldWatched'] : [];
const isTold = ({ told_every: every = 1 }: Partial<Told>) => every > 1;
