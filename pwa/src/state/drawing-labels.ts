/** What is written on a drawing: its lengths, what the needle holds, and the scale. Pure. */
import { drawing as words } from '../text/drawing';
import type { Page } from './drawing-page';
import { crusOf, feederOf, given } from './drawing-places';
import type { Room } from './drawing-shapes';
import type { TargetSketch } from './target-sketch';

const SCALE_BARS_UM = [100_000, 50_000, 20_000, 10_000, 5_000, 2_000, 1_000];

/** Write both axes above the varix: the short one with its length, the long one's at the right. */
export function writeAxes(page: Page, sketch: TargetSketch, middle: number, room: Room): void {
  const { shortUm, longUm, origin } = sketch;
  const { fontUm } = page;
  let y = Math.round(room.top - fontUm * 0.7);
  if (given(shortUm)) {
    const half = Math.round(shortUm / 2);
    page.measure(middle - half, middle + half, y);
    page.write(middle, Math.round(y - fontUm * 0.5), 'middle', words.shortAxis(shortUm, origin));
    y -= Math.round(fontUm * 1.4);
  }
  if (given(longUm)) {
    const half = Math.round(longUm / 2);
    const x = Math.round(room.right + fontUm);
    const tick = Math.round(fontUm / 3);
    page.line('measure', 'measure', x, -half, x, half);
    for (const end of [-half, half]) page.line('measure', 'measure', x - tick, end, x + tick, end);
    page.write(middle, Math.round(y - fontUm * 0.5), 'middle', words.longAxis(longUm, origin));
  }
}

/** Write below the drawing each length from the needle's tip, the needle's content, the scale. */
export function writeLengths(page: Page, sketch: TargetSketch, room: Room, bottom: number): void {
  const { nearUm, middleUm, farUm, plannedStopUm, stopUm } = sketch;
  const crus = crusOf(sketch);
  const start = typeof crus === 'object' ? crus.from : 0;
  const rows: [number | null, (um: number) => string, number][] = [
    [typeof crus === 'object' ? crus.to : null, (to) => words.crus(to - start), start],
    [nearUm, words.near, 0],
    [plannedStopUm, words.plannedStop, 0],
    [stopUm, words.stop, 0],
    [middleUm, words.middle, 0],
    [farUm, words.far, 0],
  ];
  let y = Math.round(bottom + page.fontUm * 1.4);
  for (const [um, say, from] of rows) {
    if (!given(um)) continue;
    page.write(0, y, 'start', say(um));
    page.measure(from, um, Math.round(y + page.fontUm * 0.5));
    y += Math.round(page.fontUm * 2);
  }
  const feeder = feederOf(sketch);
  if (typeof feeder === 'number') y = drawFeeder(page, feeder, room.left, y);
  writeNeedleAndScale(page, sketch, room, room.left, y);
}

/**
 * A piece of vessel as wide as the feeder, apart from the varix: the record does not hold where it
 * enters (DR16). Returns where the next line is written.
 */
function drawFeeder(page: Page, diameterUm: number, x: number, y: number): number {
  const { fontUm } = page;
  const top = Math.round(y + fontUm * 0.6);
  const bottom = top + diameterUm;
  const right = x + Math.round(fontUm * 4);
  page.write(x, y, 'start', words.feeder(diameterUm));
  for (const side of [top, bottom]) page.line('feeder', 'vessel', x, side, right, side);
  const across = right + fontUm;
  const tick = Math.round(fontUm / 3);
  page.line('measure', 'measure', across, top, across, bottom);
  for (const end of [top, bottom]) {
    page.line('measure', 'measure', across - tick, end, across + tick, end);
  }
  return Math.round(bottom + fontUm * 1.6);
}

/** Write at the right what is read from two metres: short axis, stop, crus, needle, scale. */
export function writeBeside(page: Page, sketch: TargetSketch, room: Room): void {
  const { shortUm, origin, plannedStopUm, stopUm } = sketch;
  const crus = crusOf(sketch);
  const x = Math.round(room.right + page.fontUm);
  const texts = [
    ...(given(shortUm) ? [words.shortAxis(shortUm, origin)] : []),
    ...(given(stopUm) ? [words.stop(stopUm)] : []),
    ...(given(plannedStopUm) && !given(stopUm) ? [words.plannedStop(plannedStopUm)] : []),
    ...(typeof crus === 'object' ? [words.crus(crus.to - crus.from)] : []),
  ];
  let y = Math.round(room.top + page.fontUm);
  for (const text of texts) {
    page.write(x, y, 'start', text);
    y += Math.round(page.fontUm * 1.5);
  }
  writeNeedleAndScale(page, sketch, room, x, y);
}

function writeNeedleAndScale(
  page: Page,
  { needle }: TargetSketch,
  room: Room,
  x: number,
  from: number,
): void {
  let y = from;
  const bar = () => Math.round(y + page.fontUm * 0.5);
  const width = Math.round(room.right - room.left);
  if (needle?.some(({ liquid }) => liquid === 'mix')) {
    const mixUl = needle.reduce((sum, one) => sum + (one.liquid === 'mix' ? one.amountUl : 0), 0);
    page.write(x, y, 'start', words.inNeedle(mixUl));
    drawNeedleContent(page, needle, x, bar(), width);
    y += Math.round(page.fontUm * 3);
  }
  const scale = SCALE_BARS_UM.find((um) => um <= width / 2) ?? 1_000;
  page.write(x, y, 'start', words.scale(scale));
  page.line('measure', 'scale', x, bar(), x + scale, bar());
}

/** The needle's content from hub to tip; its length is the dead space, and no length in mm. */
function drawNeedleContent(
  page: Page,
  needle: NonNullable<TargetSketch['needle']>,
  x: number,
  y: number,
  width: number,
): void {
  const deadSpaceUl = needle.reduce((sum, { amountUl }) => sum + amountUl, 0);
  let before = 0;
  for (const { liquid, amountUl } of needle) {
    const from = x + Math.round((width * before) / deadSpaceUl);
    before += amountUl;
    const to = x + Math.round((width * before) / deadSpaceUl);
    page.add({
      layer: 'liquid',
      look: `held-${liquid}`,
      kind: 'box',
      x: from,
      y,
      width: to - from,
      height: page.fontUm,
    });
  }
}
