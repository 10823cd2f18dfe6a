/** Proves what one try of a PIN costs: fitted to the device, never below the floor. */
import { expect, test } from 'vitest';
import { type ArgonCost, COSTS, calibrateCost, strongerCost } from './key-ring-cost';

/** A device that needs so many milliseconds for one pass over one MiB. */
function device(msPerMib: number) {
  let nowMs = 0;
  const timeOf = ({ memoryKiB, passes }: ArgonCost) => (memoryKiB / 1024) * passes * msPerMib;
  const hash = async (_pin: string, _salt: Uint8Array, cost: ArgonCost) => {
    nowMs += timeOf(cost);
    return new Uint8Array(32);
  };
  return { timeOf, calibrate: () => calibrateCost(hash, () => nowMs) };
}

test('[SEC-11] the floor is 19 MiB and 2 passes, and each step costs an attacker more', () => {
  expect(COSTS[0]).toEqual({ memoryKiB: 19 * 1024, passes: 2, lanes: 1 });
  const weights = COSTS.map(({ memoryKiB, passes }) => memoryKiB * passes);
  expect(weights).toEqual([...new Set(weights)].sort((one, other) => one - other));
});

test.each([0.01, 0.5, 1, 1.5, 2, 3, 5])(
  '[SEC-11] at %d ms a MiB one hash takes half a second to one, where a step fits',
  async (msPerMib) => {
    // Has caught: filtering by the probe's time instead of each step's own.
    const { timeOf, calibrate } = device(msPerMib);
    const took = timeOf(await calibrate());
    expect(took).toBeLessThanOrEqual(750);
    const next = COSTS[COSTS.indexOf(await calibrate()) + 1];
    if (next !== undefined) expect(timeOf(next)).toBeGreaterThan(750);
  },
);

test('[SEC-11] a device too slow for any step takes the floor, never less', async () => {
  expect(await device(1_000).calibrate()).toEqual(COSTS[0]);
});

test('a hash that took long enough is left; a fast one goes one step up, the last one none', () => {
  const [floor, next] = COSTS as [ArgonCost, ArgonCost];
  expect(strongerCost(floor, 333)).toEqual(next);
  expect(strongerCost(floor, 334)).toBeNull();
  expect(strongerCost(COSTS.at(-1) as ArgonCost, 1)).toBeNull();
  expect(strongerCost({ memoryKiB: 8 * 1024, passes: 1, lanes: 1 }, 1)).toEqual(floor);
});
