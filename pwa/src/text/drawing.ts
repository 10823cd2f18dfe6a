/** Sentences of the drawing of a target. Every number carries its unit; every liquid its name. */
import { mlText, mmText } from '../state/tally';
import type { Origin, TargetSketch } from '../state/target-sketch';

const origins: Record<Origin, string> = {
  '': 'not said if measured',
  measured: 'measured',
  'measured-on-image': 'measured on image',
  estimated: 'estimated',
  'earlier-record': 'from earlier record',
};

const originNote = (origin: Origin) => (origin === 'measured' ? '' : `, ${origins[origin]}`);

/** On screen at the bedside: at most six words each (UX-19). */
export const drawing = {
  title: 'Drawing',
  open: 'Drawing',
  close: 'Back to the step',
  planned: 'Planned',
  done: 'Done',
  now: 'Planned and done',
  stale: 'Plan out of date: not drawn.',
  noTarget: 'No varix entered yet.',
  nothing: 'Nothing entered to draw.',
  shortAxis: (um: number, origin: Origin) => `Short axis ${mmText(um)}${originNote(origin)}`,
  longAxis: (um: number, origin: Origin) => `Long axis ${mmText(um)}${originNote(origin)}`,
  near: (um: number) => `Near wall ${mmText(um)}`,
  middle: (um: number) => `Middle ${mmText(um)}`,
  far: (um: number) => `Far wall ${mmText(um)}`,
  stop: (um: number) => `Stop ${mmText(um)}`,
  plannedStop: (um: number) => `Stop ${mmText(um)}, planned`,
  inNeedle: (ul: number) => `Mix in needle ${mlText(ul)}`,
  scale: (um: number) => mmText(um),
  coils: (count: number, what: 'placed' | 'planned' | 'discarded', loops: string) =>
    `${count} ${what}: ${loops}`,
  noLoop: 'loop not entered',
  mixOut: (ul: number) => `Mix past needle tip ${mlText(ul)}`,
  mixInjected: (ul: number) => `Mix injected ${mlText(ul)}`,
  fromTip: 'Lengths from the needle tip.',
  toScale: 'Needle width not to scale.',
  information: 'Adhesive drawn for information only.',
};

const loopsText = (loops: readonly (number | null)[]) =>
  loops.map((um) => (um === null ? drawing.noLoop : mmText(um))).join(', ');

/** Return the line of coils of one kind, "" where there is none. */
export function coilsLine(
  what: 'placed' | 'planned' | 'discarded',
  loops: readonly (number | null)[],
): string {
  return loops.length === 0 ? '' : drawing.coils(loops.length, what, loopsText(loops));
}

/**
 * Return what a drawing shows, in whole sentences: for print, and for who does not see it.
 *
 * It says each number that the drawing has, and what is not entered.
 */
export function drawingText(sketch: TargetSketch): string[] {
  const { shortUm, longUm, origin, plannedStopUm, stopUm } = sketch;
  const lengths = [
    ...(sketch.nearUm === null ? [] : [`near wall ${mmText(sketch.nearUm)}`]),
    ...(sketch.middleUm === null ? [] : [`middle ${mmText(sketch.middleUm)}`]),
    ...(sketch.farUm === null ? [] : [`far wall ${mmText(sketch.farUm)}`]),
  ];
  const axes = [
    shortUm === null ? 'short axis not entered' : `short axis ${mmText(shortUm)}`,
    longUm === null ? 'long axis not entered' : `long axis ${mmText(longUm)}`,
  ];
  const hasSize = shortUm !== null || longUm !== null;
  const kinds = [
    ['placed', sketch.placedLoopsUm],
    ['planned', sketch.plannedLoopsUm],
    ['discarded', sketch.discardedLoopsUm],
  ] as const;
  return [
    ...sketch.disputed.map((field) => `${sketch.label}, ${field}: two answers wait, not drawn.`),
    ...(sketch.disputed.includes('size')
      ? []
      : [`${sketch.label}: ${axes.join(', ')}${hasSize ? `, ${origins[origin]}` : ''}.`]),
    ...(lengths.length === 0 ? [] : [`From the needle tip: ${lengths.join(', ')}.`]),
    ...(stopUm === null ? [] : [`Needle stop ${mmText(stopUm)}, recorded.`]),
    ...(plannedStopUm === null ? [] : [`Needle stop ${mmText(plannedStopUm)}, planned.`]),
    ...kinds.flatMap(([what, loops]) =>
      loops.length === 0
        ? []
        : [
            `${loops.length} ${loops.length === 1 ? 'coil' : 'coils'} ${what}: ${loopsText(loops)}.`,
          ],
    ),
    ...liquidText(sketch),
  ];
}

function liquidText({ mixInjectedUl, mixOutUl, needle }: TargetSketch): string[] {
  if (mixInjectedUl === 0) return [];
  const held = (liquid: string) =>
    (needle ?? [])
      .filter((plug) => plug.liquid === liquid)
      .reduce((sum, plug) => sum + plug.amountUl, 0);
  return [
    `${drawing.mixInjected(mixInjectedUl)}.`,
    ...(mixOutUl === null
      ? ['How much left the needle is not known: no dead space.']
      : [`${drawing.mixOut(mixOutUl)}, computed from the dead space.`, drawing.information]),
    ...(needle === null
      ? []
      : [`In the needle: mix ${mlText(held('mix'))}, flush ${mlText(held('flush'))}.`]),
  ];
}
