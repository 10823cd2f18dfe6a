/** What is written on a drawing: its lengths, what the needle holds, and the scale. Pure. */
import { drawing as words } from '../text/drawing';
import type { Page } from './drawing-page';
import type { Room } from './drawing-shapes';
import type { TargetSketch } from './target-sketch';

const SCALE_BARS_UM = [100_000, 50_000, 20_000, 10_000, 5_000, 2_000, 1_000];

/** Say whether there is something to draw: entered, and longer than nothing (DR2). */
export function given(um: number | null): um is number {
  return um !== null && um > 0;
}

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
  const rows: [number | null, (um: number) => string][] = [
    [nearUm, words.near],
    [plannedStopUm, words.plannedStop],
    [stopUm, words.stop],
    [middleUm, words.middle],
    [farUm, words.far],
  ];
  let y = Math.round(bottom + page.fontUm * 1.4);
  for (const [um, say] of rows) {
    if (!given(um)) continue;
    page.write(0, y, 'start', say(um));
    page.measure(0, um, Math.round(y + page.fontUm * 0.5));
    y += Math.round(page.fontUm * 2);
  }
  writeNeedleAndScale(page, sketch, room, room.left, y);
}

/** Write at the right what is read from two metres: short axis, stop, needle's content, scale. */
export function writeBeside(page: Page, sketch: TargetSketch, room: Room): void {
  const { shortUm, origin, plannedStopUm, stopUm } = sketch;
  const x = Math.round(room.right + page.fontUm);
  const texts = [
    ...(given(shortUm) ? [words.shortAxis(shortUm, origin)] : []),
    ...(given(stopUm) ? [words.stop(stopUm)] : []),
    ...(given(plannedStopUm) && !given(stopUm) ? [words.plannedStop(plannedStopUm)] : []),
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
