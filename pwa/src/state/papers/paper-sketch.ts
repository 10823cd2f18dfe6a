/** A sketch of a paper as the tablet's drawing takes it. Pure. */
import type { FeederSeen, Origin, Route, TargetSketch } from '../target-sketch';
import type { PaperSketch } from './paper';

/** Return the same numbers for the drawing; what a paper does not tell stays out of it. */
export function targetSketchOf(sketch: PaperSketch): TargetSketch {
  return {
    label: sketch.label,
    origin: sketch.origin as Origin,
    disputed: [],
    shortUm: sketch.short_um,
    longUm: sketch.long_um,
    thirdUm: sketch.third_um,
    middleUm: sketch.middle_um,
    nearUm: sketch.near_um,
    farUm: sketch.far_um,
    route: sketch.route as Route,
    crusUm: sketch.crus_um,
    feederSeen: (sketch.feeder_um === null ? '' : 'seen') satisfies FeederSeen,
    feederUm: sketch.feeder_um,
    plannedStopUm: sketch.planned_stop_um,
    stopUm: sketch.stop_um,
    plannedLoopsUm: sketch.planned_loops_um,
    placedLoopsUm: sketch.placed_loops_um,
    discardedLoopsUm: [],
    mixInjectedUl: 0,
    mixOutUl: null,
    needle: null,
  };
}
