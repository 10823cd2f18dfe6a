/** What is seen in each figure of outcomes, sentence by sentence, for whoever sees no picture. */
import type { CaseAmount, OutcomeShare, RiskSum, SurvivalCurve } from '../outcome-answers';
import type { Figure } from '../state/outcome-figures';
import {
  countShapes,
  markAmounts,
  markMonths,
  markShares,
  perCent,
  pointOn,
  traceCurve,
  whyNotDrawn,
} from '../state/outcome-marks';
import { amountWords, causeOf, monthWords, nameOf, outcomes } from './outcomes';
import { say } from './say';

/** So many days of a curve are told in words. */
const MOST_DAYS = 4;
/** A round day so close to the last one tells nothing of its own. */
const LAST_TENTH = 0.9;

/** Return what is seen in a figure, sentence by sentence: units have no name in it. */
export function spokenOf(figure: Figure): string[] {
  switch (figure.kind) {
    case 'shares':
      return figure.outcomes.map(shareSpoken);
    case 'sources':
      return figure.sources.map(({ source, happened }) =>
        happened === null
          ? say('outcomes.spoken.shareHeld', { name: nameOf(source) })
          : say('outcomes.spoken.count', { name: nameOf(source), count: happened }),
      );
    case 'survival': {
      const { curve } = figure;
      const name = nameOf(curve.outcome);
      return [curveSpoken(curve, 1, 'survival', name), ...watchedSpoken(curve)];
    }
    case 'competing': {
      const { risks } = figure;
      return [
        ...risks.causes.map(({ cause, points }) =>
          curveSpoken({ ...risks, points }, 0, 'first', causeOf(cause)),
        ),
        ...watchedSpoken(risks),
      ];
    }
    case 'funnel': {
      const { funnel } = figure;
      const why = whyNotDrawn(funnel);
      if (why === 'few') return [outcomes.spoken.funnelFew];
      if (why === 'flat') {
        return [say('outcomes.spoken.funnelFlat', { overall: perCent(funnel.overall) })];
      }
      const shapes = countShapes(funnel);
      const { within, alert, alarm, 'not-judged': unjudged, 'near-limit': near } = shapes;
      const overall = perCent(funnel.overall);
      const counts = { overall, within, alert, alarm, unjudged };
      const nearly = near === 0 ? [] : [say('outcomes.spoken.nearLimit', { count: near })];
      const spread =
        funnel.dispersion === null
          ? []
          : [say('outcomes.spoken.dispersion', { dispersion: amountWords(funnel.dispersion) })];
      return [say('outcomes.spoken.funnel', counts), ...nearly, ...spread];
    }
    case 'sum':
      return sumSpoken(figure.sum);
    case 'months':
      return monthsSpoken(figure.months);
    case 'amounts':
      return figure.amounts.map(amountSpoken);
  }
}

function shareSpoken(one: OutcomeShare): string {
  const name = nameOf(one.outcome);
  const [mark] = markShares([one]);
  if (one.suppressed || one.judged === null || one.missing === null) {
    return say('outcomes.spoken.shareHeld', { name });
  }
  if (one.counted === 'windows') return windowsSpoken(one, name, one.missing);
  const later = laterWords(one);
  if (!mark) return say('outcomes.spoken.shareNone', { name, missing: one.missing, later });
  const { happened, judged, missing, low, high } = mark;
  const interval = say('outcomes.span95', { low: perCent(low), high: perCent(high) });
  const share = perCent(mark.share);
  return say('outcomes.spoken.share', { name, happened, judged, share, interval, missing, later });
}

/** Return windows as windows, and who has none as cases: the two are never added. */
function windowsSpoken(one: OutcomeShare, name: string, missing: number): string {
  const { happened, judged, low, high } = one;
  if (!judged || happened === null || low === null || high === null) {
    return `${name}: ${say('outcomes.countNoWindows', { missing })}.`;
  }
  const interval = say('outcomes.span95', { low: perCent(low), high: perCent(high) });
  const share = perCent(happened / judged);
  return say('outcomes.spoken.shareWindows', { name, happened, judged, share, interval, missing });
}

/** Return how many cases are not due yet, to follow those missing; "" for none. */
function laterWords({ not_due: count }: Pick<OutcomeShare, 'not_due'>): string {
  return count ? say('outcomes.later', { count }) : '';
}

type Watched = Pick<SurvivalCurve, 'until_day' | 'at_risk' | 'told_every'>;
type Curve = Watched & Pick<SurvivalCurve, 'points'>;

function curveSpoken(curve: Curve, start: 0 | 1, key: 'survival' | 'first', name: string): string {
  const days = curve.until_day;
  if (curve.points.length === 0) {
    // Of a curve told after every fifth event no point means few events, not none.
    const isThinned = (curve.told_every ?? 1) > 1;
    return say(`outcomes.spoken.${isThinned ? 'flatTold' : 'flat'}`, { name, days });
  }
  const traced = traceCurve(curve.points, start, curve);
  const parts = tellDays(curve).flatMap((day) => {
    const point = pointOn(traced, day, curve);
    if (point === null) return [];
    const [share, { low, high }] = [perCent(point.share), point];
    const hasBand = low !== null && high !== null && low !== high;
    return hasBand
      ? say('outcomes.spoken.atDayBand', { day, share, low: perCent(low), high: perCent(high) })
      : say('outcomes.spoken.atDay', { day, share });
  });
  return say(`outcomes.spoken.${key}`, { name, parts: parts.join(', ') });
}

/** Return round days of a curve that are told, none close to its last one, and that one. */
function tellDays({ points, at_risk, until_day: until, told_every: every = 1 }: Curve): number[] {
  // Of a curve with few points told, nothing is known of any other day.
  if (every > 1) {
    const told = points.map(({ day }) => day);
    const each = Math.ceil(told.length / MOST_DAYS);
    return told.filter((_, place) => (told.length - 1 - place) % each === 0);
  }
  const days = at_risk.map(({ day }) => day).filter((day) => day > 0 && day < until * LAST_TENTH);
  const step = Math.max(1, Math.ceil(days.length / (MOST_DAYS - 1)));
  return [...days.filter((_, place) => (place + 1) % step === 0), until];
}

function watchedSpoken({ at_risk }: Watched): string[] {
  const [first, last] = [at_risk[0], at_risk.at(-1)];
  if (!first || !last || first === last) return [];
  const [cases, left] = [first.cases ?? outcomes.held, last.cases ?? outcomes.held];
  return [
    say('outcomes.spoken.watched', { cases: String(cases), left: String(left), day: last.day }),
  ];
}

function sumSpoken(sum: RiskSum): string[] {
  const last = sum.points.at(-1);
  if (!last) return [outcomes.nobody];
  const signals = sum.points.filter((point) => point.is_signal);
  const when = signals
    .map(({ number, month }) =>
      say('outcomes.spoken.signalAt', { number, month: monthWords(month) }),
    )
    .join(', ');
  const [value, limit] = [amountWords(last.value), amountWords(sum.limit)];
  const cases = sum.run_length;
  return [
    outcomes.spoken.sumRead,
    say('outcomes.spoken.sum', { cases: last.number, value, limit }),
    say('outcomes.spoken.signals', { count: signals.length, when }),
    ...(cases === null ? [] : [say('outcomes.spoken.runLength', { cases: Math.round(cases) })]),
    outcomes.spoken.sumLimit,
  ];
}

function monthsSpoken(months: Extract<Figure, { kind: 'months' }>['months']): string[] {
  const marks = markMonths(months);
  const counts = marks.flatMap(({ cases }) => (cases === null ? [] : [cases]));
  const held = marks.length - counts.length;
  const drawn = {
    cases: counts.reduce((sum, count) => sum + count, 0),
    months: counts.length,
    low: Math.min(...counts),
    high: Math.max(...counts),
  };
  return [
    ...(counts.length === 0 ? [] : [say('outcomes.spoken.months', drawn)]),
    ...(held === 0 ? [] : [say('outcomes.spoken.monthsHeld', { count: held })]),
  ];
}

function amountSpoken(one: CaseAmount): string {
  const name = nameOf(one.amount);
  const [mark] = markAmounts([one]);
  const { cases, missing } = one;
  if (!mark) {
    return cases === null || missing === null
      ? say('outcomes.spoken.shareHeld', { name })
      : say('outcomes.spoken.shareNone', { name, missing, later: '' });
  }
  const [median, low, high] = [mark.median, mark.low, mark.high].map(amountWords) as [
    string,
    string,
    string,
  ];
  if (cases === null || missing === null) {
    return say('outcomes.spoken.amountAlone', { name, median, low, high });
  }
  return say('outcomes.spoken.amount', { name, median, low, high, cases, missing });
}

/** Return what stands beside each share of a figure: how many of how many, how many missing. */
export function countsOf(figure: Figure): (outcome: string) => string {
  if (figure.kind !== 'shares') return () => '';
  const found = new Map(figure.outcomes.map((one) => [one.outcome, one]));
  return (outcome) => {
    const one = found.get(outcome);
    if (!one || one.suppressed || one.judged === null || one.happened === null)
      return outcomes.held;
    const missing = one.missing ?? 0;
    if (one.counted === 'windows') {
      const { happened, judged } = one;
      return judged === 0
        ? say('outcomes.countNoWindows', { missing })
        : say('outcomes.countWindows', {
            happened,
            judged,
            share: perCent(happened / judged),
            missing,
          });
    }
    const later = laterWords(one);
    if (one.judged === 0) return say('outcomes.countNone', { missing, later });
    const share = perCent(one.happened / one.judged);
    const { happened, judged } = one;
    return say('outcomes.count', { happened, judged, share, missing, later });
  };
}
