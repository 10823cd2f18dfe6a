/**
 * The drawing of one target, to one scale, from its numbers alone. Pure. Rules DR.
 *
 * The needle runs from left to right, the short axis lies along it and the long axis across: the
 * record holds no angle between them, so that is a convention and nothing that was measured.
 */
import { writeAxes, writeBeside, writeLengths } from './drawing-labels';
import { type Detail, type Drawing, Page } from './drawing-page';
import { crusOf, feederOf, given, middleOf } from './drawing-places';
import { joinRooms, type Room, roomOf, type Shape } from './drawing-shapes';
import type { Origin, TargetSketch } from './target-sketch';

/** Size of the font as a share of the larger side of what is drawn. */
const FONT_SHARE = { near: 0.07, far: 0.12 };
/** Centres of coils stand apart by this share of the largest loop, to be told apart. */
const COIL_STEP_SHARE = 0.28;
const UM3_PER_UL = 1e9;
/** Origins under which a size is drawn with a whole line; any other is dashed (DR5). */
const MEASURED: ReadonlySet<Origin> = new Set(['measured', 'measured-on-image']);
const HALF_ROOT = Math.SQRT1_2;

/** Return the drawing, null where nothing to draw was entered (DR2). */
export function drawTarget(sketch: TargetSketch, detail: Detail): Drawing | null {
  const middle = middleOf(sketch) ?? 0;
  const core = [
    ...varixShapes(sketch, middle),
    ...liquidShapes(sketch, middle),
    ...coilShapes(sketch, middle),
  ];
  const alongNeedle = lengthsOf(sketch);
  const feeder = detail === 'near' ? feederOf(sketch) : null;
  const hasFeeder = typeof feeder === 'number';
  if (core.length === 0 && alongNeedle.length === 0 && !hasFeeder) return null;
  const needleRoom: Room[] =
    alongNeedle.length === 0
      ? []
      : [{ left: 0, top: 0, right: Math.max(...alongNeedle), bottom: 0 }];
  const room = joinRooms([...core.map(roomOf), ...needleRoom]) ?? {
    left: 0,
    top: 0,
    right: 0,
    bottom: 0,
  };
  const larger = Math.max(
    room.right - room.left,
    room.bottom - room.top,
    hasFeeder ? feeder : 0,
    1_000,
  );
  const fontUm = Math.round(larger * FONT_SHARE[detail]);
  const page = new Page(fontUm, detail);
  page.add(...core);
  if (alongNeedle.length > 0) drawNeedle(page, sketch, room);
  const drawn = page.room(room);
  if (detail === 'far') {
    writeBeside(page, sketch, drawn);
    return page.finish();
  }
  writeAxes(page, sketch, middle, drawn);
  drawDiscarded(page, sketch, page.room(drawn).right);
  writeLengths(page, sketch, drawn, page.room(drawn).bottom);
  return page.finish();
}

function lengthsOf({ nearUm, middleUm, farUm, plannedStopUm, stopUm }: TargetSketch): number[] {
  return [nearUm, middleUm, farUm, plannedStopUm, stopUm].filter(given);
}

/** The outline: an ellipse of both axes; of one alone a circle, dotted at the other (DR3, DR5). */
function varixShapes({ shortUm, longUm, origin }: TargetSketch, cx: number): Shape[] {
  const look = MEASURED.has(origin) ? 'measured' : 'estimated';
  if (given(shortUm) && given(longUm)) {
    return [
      {
        layer: 'varix',
        look,
        kind: 'ellipse',
        cx,
        cy: 0,
        rx: Math.round(shortUm / 2),
        ry: Math.round(longUm / 2),
      },
    ];
  }
  const one = given(shortUm) ? shortUm : longUm;
  if (!given(one)) return [];
  const r = Math.round(one / 2);
  const d = Math.round(r * HALF_ROOT);
  const corners = [
    [d, -d],
    [d, d],
    [-d, d],
    [-d, -d],
  ] as const;
  return corners.map(([x, y], place): Shape => {
    const [toX, toY] = corners[(place + 1) % 4] ?? [d, -d];
    const isAtShortAxis = place % 2 === 0;
    const isKnown = isAtShortAxis === given(shortUm);
    return {
      layer: 'varix',
      look: isKnown ? look : 'unknown',
      kind: 'arc',
      x1: cx + x,
      y1: y,
      x2: cx + toX,
      y2: toY,
      r,
      cx,
      cy: 0,
    };
  });
}

/**
 * What has left the needle, as an ellipsoid of that amount with the varix's own proportions and
 * never past its outline: a picture of an amount, not of where the adhesive lies (DR9).
 */
function liquidShapes(sketch: TargetSketch, cx: number): Shape[] {
  const { shortUm, longUm, thirdUm, mixOutUl, mixInjectedUl } = sketch;
  const short = given(shortUm) ? shortUm : longUm;
  const long = given(longUm) ? longUm : short;
  if (!given(mixOutUl) || !given(short) || !given(long)) return [];
  const third = given(thirdUm) ? thirdUm : short;
  const shownUl = Math.min(mixOutUl, mixInjectedUl);
  const share = Math.min(
    1,
    Math.cbrt((6 * shownUl * UM3_PER_UL) / (Math.PI * short * long * third)),
  );
  return [
    {
      layer: 'liquid',
      look: 'mix',
      kind: 'ellipse',
      cx,
      cy: 0,
      rx: Math.floor((short / 2) * share),
      ry: Math.floor((long / 2) * share),
    },
  ];
}

/** Placed and planned coils at their loop diameter, in a row across the needle (DR6). */
function coilShapes(sketch: TargetSketch, cx: number): Shape[] {
  const { placedLoopsUm, plannedLoopsUm, longUm, shortUm } = sketch;
  const all = [
    ...placedLoopsUm.map((loop) => ({ loop, look: 'placed' })),
    ...plannedLoopsUm.map((loop) => ({ loop, look: 'planned' })),
  ];
  const largest = Math.max(0, ...all.map(({ loop }) => loop ?? 0));
  const side = longUm ?? shortUm ?? largest;
  const step = Math.round(
    Math.min(largest * COIL_STEP_SHARE, side / 2 / Math.max(1, all.length - 1)),
  );
  return all.flatMap(({ loop, look }, place) => {
    const cy = Math.round((place - (all.length - 1) / 2) * Math.max(step, 1));
    return coilAt(cx, cy, loop, look, largest || side || 1_000);
  });
}

/** One coil; without a loop a square that says nothing of its size. */
function coilAt(
  cx: number,
  cy: number,
  loop: number | null,
  look: string,
  around: number,
): Shape[] {
  const coil = { layer: 'coil', look } as const;
  if (!given(loop)) {
    const width = Math.max(1, Math.round(around / 8));
    return [
      {
        ...coil,
        kind: 'box',
        x: cx - Math.round(width / 2),
        y: cy - Math.round(width / 2),
        width,
        height: width,
      },
    ];
  }
  const r = Math.round(loop / 2);
  return [{ ...coil, kind: 'ellipse', cx, cy, rx: r, ry: r }];
}

/** Discarded coils lie outside the varix, each crossed through. */
function drawDiscarded(page: Page, { discardedLoopsUm }: TargetSketch, right: number): void {
  let left = Math.round(right) + page.fontUm;
  for (const loop of discardedLoopsUm) {
    const r = given(loop) ? Math.round(loop / 2) : page.fontUm;
    const [cx, cross] = [left + r, Math.round(r * HALF_ROOT)];
    page.add(...coilAt(cx, 0, loop, 'discarded', 8 * r));
    for (const y of [cross, -cross]) page.line('coil', 'cross', cx - cross, -y, cx + cross, y);
    left += Math.max(r, page.fontUm);
  }
}

/** The needle's line to its stop, the walls, and where the needle starts (DR10). */
function drawNeedle(page: Page, sketch: TargetSketch, room: Room): void {
  const { nearUm, farUm, plannedStopUm, stopUm } = sketch;
  const { fontUm } = page;
  const half = Math.max(fontUm * 2, Math.round((room.bottom - room.top) / 2));
  page.line('needle', 'tip', 0, -fontUm, 0, fontUm);
  const crus = crusOf(sketch);
  if (typeof crus === 'object') {
    const { from, to } = crus;
    page.add({
      layer: 'crus',
      look: 'muscle',
      kind: 'box',
      x: from,
      y: -half,
      width: to - from,
      height: 2 * half,
    });
  }
  for (const wall of [nearUm, farUm]) {
    if (given(wall)) page.line('wall', 'wall', wall, -half, wall, half);
  }
  const end = stopUm ?? plannedStopUm;
  if (given(end)) page.line('needle', stopUm === null ? 'planned' : 'done', 0, 0, end, 0);
  const bars = [
    [plannedStopUm, 'planned'],
    [stopUm, 'done'],
  ] as const;
  for (const [um, look] of bars) {
    if (given(um)) page.line('stop', look, um, -fontUm, um, fontUm);
  }
}
