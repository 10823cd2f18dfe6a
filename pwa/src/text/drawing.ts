/** Sentences of the drawing of a target. Every number carries its unit; every liquid its name. */
import { crusOf, feederOf } from '../state/drawing-places';
import { mlText, mmText } from '../state/tally';
import type { Origin, TargetSketch } from '../state/target-sketch';
import { lookUp, say, withMore, words } from './say';

type CoilLot = 'placed' | 'planned' | 'discarded';
const said = words('drawing');
const spoken = words('told');
const origins = lookUp(said.origins);
const originOf = (origin: Origin) => origins[origin] ?? said.origins.unsaid;

/** On screen at the bedside: at most six words each (UX-19). */
export const drawing = withMore(said, {
  shortAxis: (um: number, origin: Origin) =>
    origin === 'measured'
      ? say('drawing.shortAxis', { length: mmText(um) })
      : say('drawing.shortAxisFrom', { length: mmText(um), origin: originOf(origin) }),
  longAxis: (um: number, origin: Origin) =>
    origin === 'measured'
      ? say('drawing.longAxis', { length: mmText(um) })
      : say('drawing.longAxisFrom', { length: mmText(um), origin: originOf(origin) }),
  near: (um: number) => say('drawing.near', { length: mmText(um) }),
  middle: (um: number) => say('drawing.middle', { length: mmText(um) }),
  far: (um: number) => say('drawing.far', { length: mmText(um) }),
  stop: (um: number) => say('drawing.stop', { length: mmText(um) }),
  plannedStop: (um: number) => say('drawing.plannedStop', { length: mmText(um) }),
  crus: (um: number) => say('drawing.crus', { length: mmText(um) }),
  feeder: (um: number) => say('drawing.feeder', { length: mmText(um) }),
  inNeedle: (ul: number) => say('drawing.inNeedle', { amount: mlText(ul) }),
  scale: (um: number) => say('drawing.scale', { length: mmText(um) }),
  coils: (count: number, what: CoilLot, loops: string) =>
    say(`drawing.coils.${what}`, { count, loops }),
  mixOut: (ul: number) => say('drawing.mixOut', { amount: mlText(ul) }),
  mixInjected: (ul: number) => say('drawing.mixInjected', { amount: mlText(ul) }),
});

const loopsText = (loops: readonly (number | null)[]) =>
  loops.map((um) => (um === null ? said.noLoop : mmText(um))).join(', ');

/** Return the line of coils of one kind, "" where there is none. */
export function coilsLine(what: CoilLot, loops: readonly (number | null)[]): string {
  return loops.length === 0 ? '' : drawing.coils(loops.length, what, loopsText(loops));
}

/**
 * Return what a drawing shows, in whole sentences: for print, and for who does not see it.
 *
 * It says each number that the drawing has, and what is not entered.
 */
export function drawingText(sketch: TargetSketch): string[] {
  const { label, disputed, plannedStopUm, stopUm } = sketch;
  const lengths = lengthsText(sketch);
  return [
    ...disputed.map((field) =>
      say('told.disputed', { label, field: field === 'distance' ? 'other' : field }),
    ),
    ...(disputed.includes('size') ? [] : [say('told.axes', { label, axes: axesText(sketch) })]),
    ...(lengths === '' ? [] : [say('told.fromTip', { lengths })]),
    ...aroundText(sketch),
    ...(stopUm === null ? [] : [say('told.stop', { length: mmText(stopUm) })]),
    ...(plannedStopUm === null ? [] : [say('told.plannedStop', { length: mmText(plannedStopUm) })]),
    ...coilsText('placed', sketch.placedLoopsUm),
    ...coilsText('planned', sketch.plannedLoopsUm),
    ...coilsText('discarded', sketch.discardedLoopsUm),
    ...liquidText(sketch),
  ];
}

function axesText({ shortUm, longUm, origin }: TargetSketch): string {
  return [
    shortUm === null ? spoken.notEntered.short : say('told.short', { length: mmText(shortUm) }),
    longUm === null ? spoken.notEntered.long : say('told.long', { length: mmText(longUm) }),
    ...(shortUm === null && longUm === null ? [] : [originOf(origin)]),
  ].join(', ');
}

function lengthsText({ nearUm, middleUm, farUm }: TargetSketch): string {
  return [
    ...(nearUm === null ? [] : [say('told.near', { length: mmText(nearUm) })]),
    ...(middleUm === null ? [] : [say('told.middle', { length: mmText(middleUm) })]),
    ...(farUm === null ? [] : [say('told.far', { length: mmText(farUm) })]),
  ].join(', ');
}

/** Return why the crus or the feeder is not drawn, in at most six words each (DR15, DR16). */
export function absentText(sketch: TargetSketch): string[] {
  const [crus, feeder] = [crusOf(sketch), feederOf(sketch)];
  const { disputed } = sketch;
  return [
    ...(typeof crus === 'object' || disputed.includes('access') ? [] : [said.absent.crus[crus]]),
    ...(typeof feeder === 'number' || disputed.includes('feeder')
      ? []
      : [said.absent.feeder[feeder]]),
  ];
}

function aroundText(sketch: TargetSketch): string[] {
  const [crus, feeder] = [crusOf(sketch), feederOf(sketch)];
  return [
    ...(typeof crus === 'object'
      ? [say('told.crus', { length: mmText(crus.to - crus.from) })]
      : []),
    ...(typeof feeder === 'number' ? [say('told.feeder', { length: mmText(feeder) })] : []),
    ...absentText(sketch),
  ];
}

function coilsText(what: CoilLot, loops: readonly (number | null)[]): string[] {
  if (loops.length === 0) return [];
  return [say(`told.coils.${what}`, { count: loops.length, loops: loopsText(loops) })];
}

function liquidText({ mixInjectedUl, mixOutUl, needle }: TargetSketch): string[] {
  if (mixInjectedUl === 0) return [];
  const held = (liquid: string) =>
    mlText(
      (needle ?? [])
        .filter((plug) => plug.liquid === liquid)
        .reduce((sum, plug) => sum + plug.amountUl, 0),
    );
  return [
    say('told.mixInjected', { amount: mlText(mixInjectedUl) }),
    ...(mixOutUl === null
      ? [spoken.outUnknown]
      : [say('told.mixOut', { amount: mlText(mixOutUl) }), said.information]),
    ...(needle === null ? [] : [say('told.inNeedle', { mix: held('mix'), flush: held('flush') })]),
  ];
}
