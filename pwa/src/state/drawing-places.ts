/**
 * Where the parts of a target lie on the needle's line, and which cannot be drawn. Pure. Rules DR.
 *
 * Every length runs from the needle tip before the puncture, so each holds what lies on its way:
 * the crus is a part of the way to the near wall, and nothing is added for it.
 */
import type { TargetSketch } from './target-sketch';

/** Why a crus is not drawn. */
export type CrusLack = 'notEntered' | 'transgastric' | 'noWall' | 'tooThick' | 'contradicts';
/** Why a feeder is not drawn. */
export type FeederLack = 'notEntered' | 'notSeen' | 'notLookedFor' | 'noDiameter' | 'contradicts';

/** Say whether there is something to draw: entered, and longer than nothing (DR2). */
export function given(um: number | null): um is number {
  return um !== null && um > 0;
}

/** Where the middle of the varix lies on the needle's line; null where nobody entered it (DR4). */
export function middleOf({ middleUm, nearUm, farUm, shortUm }: TargetSketch): number | null {
  if (middleUm !== null) return middleUm;
  if (nearUm !== null && farUm !== null) return Math.round((nearUm + farUm) / 2);
  if (nearUm !== null && shortUm !== null) return nearUm + Math.round(shortUm / 2);
  if (farUm !== null && shortUm !== null) return farUm - Math.round(shortUm / 2);
  return null;
}

/** Return where the crus begins and ends, or why it is not drawn (DR14, DR15). */
export function crusOf(sketch: TargetSketch): { from: number; to: number } | CrusLack {
  const { route, crusUm, nearUm, shortUm } = sketch;
  if (!given(crusUm)) return route === 'transgastric' ? 'transgastric' : 'notEntered';
  if (route === 'transgastric') return 'contradicts';
  const middle = middleOf(sketch);
  const to =
    nearUm ?? (middle === null || shortUm === null ? null : middle - Math.round(shortUm / 2));
  if (to === null) return 'noWall';
  return crusUm > to ? 'tooThick' : { from: to - crusUm, to };
}

/** Return the diameter of the feeder in micrometres, or why it is not drawn (DR16). */
export function feederOf({ feederSeen, feederUm }: TargetSketch): number | FeederLack {
  if (given(feederUm)) return feederSeen === 'seen' ? feederUm : 'contradicts';
  switch (feederSeen) {
    case 'seen':
      return 'noDiameter';
    case 'not-seen':
      return 'notSeen';
    case 'not-looked-for':
      return 'notLookedFor';
    case '':
      return 'notEntered';
  }
}
