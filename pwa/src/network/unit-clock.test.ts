import { expect, test } from 'vitest';
import { openMemoryDisk } from '../storage/memory-database';
import { MemoryUnit } from './memory-unit';
import { joinedTablet, Tablet } from './test-tablet';

/** Has caught: the sign turned round. */
test('[SOFT-08] a round tells by how much this clock is ahead of the unit, none before', async () => {
  const unit = new MemoryUnit();
  const tablet = await joinedTablet(unit, 'tablet-a');
  expect(tablet.client.standing().clockOffsetMs).toBeNull();

  tablet.clockMs = unit.wallMs + 180_000;
  expect((await tablet.client.run()).clockOffsetMs).toBe(180_000);
  tablet.clockMs = unit.wallMs - 90_000;
  expect((await tablet.client.run()).clockOffsetMs).toBe(-90_000);
});

test('[SOFT-08] the unit read its clock midway: half of a slow answer counts', async () => {
  const unit = new MemoryUnit();
  const plain = unit.fetch;
  let tablet: Tablet | null = null;
  unit.fetch = async (path, init) => {
    const answer = await plain(path, init);
    if (tablet !== null && path.includes('handshake')) tablet.clockMs += 4_000;
    return answer;
  };
  tablet = new Tablet(await openMemoryDisk(), unit, 'tablet-a');
  await tablet.client.join('GOOD', 'tablet-a');
  tablet.clockMs = unit.wallMs;
  await tablet.client.run();

  // One handshake or more, each 4 s on the way: the last began 4 s later for each before it.
  const late = tablet.clockMs - unit.wallMs;
  expect(tablet.client.standing().clockOffsetMs).toBe(late - 2_000);
});
