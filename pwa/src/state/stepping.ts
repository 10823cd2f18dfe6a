/**
 * A number that is stepped up and down, where its field has few real steps: a slip by ten cannot
 * happen (UX-08). Pure; whole thousandths of the shown unit.
 */

export interface Steps {
  stepMilli: number;
  leastMilli: number;
  mostMilli: number;
}

/** A field with more real steps than this is entered on the number pad alone (UX-08). */
export const MOST_STEPS = 40;

/**
 * Return the number one step on, null where that would leave the range or nothing tells where to
 * begin: nothing is filled in beforehand (HAZ-09).
 *
 * A number between two steps goes to the next one in the direction pressed.
 *
 * @param milli - the number entered, null before there is one
 * @param startMilli - the named number that the first press starts from, null where there is none
 */
export function stepOn(
  milli: number | null,
  startMilli: number | null,
  direction: 1 | -1,
  { stepMilli, leastMilli, mostMilli }: Steps,
): number | null {
  const from = milli ?? startMilli;
  if (from === null) return null;
  const steps = direction === 1 ? Math.floor(from / stepMilli) : Math.ceil(from / stepMilli);
  const next = (steps + direction) * stepMilli;
  return next < leastMilli || next > mostMilli ? null : next;
}

/** Return the range of at most `MOST_STEPS` steps that lies around a number, never below a step. */
export function stepsAround(aroundMilli: number, stepMilli: number): Steps {
  const middle = Math.floor(aroundMilli / stepMilli);
  const least = Math.max(1, middle - MOST_STEPS / 2);
  return {
    stepMilli,
    leastMilli: least * stepMilli,
    mostMilli: (least + MOST_STEPS - 1) * stepMilli,
  };
}
