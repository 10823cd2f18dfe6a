/**
 * What one try of a PIN costs, in memory and passes, fitted to the device [SEC-11].
 *
 * The floor is that of the OWASP Password Storage Cheat Sheet for Argon2id (19 MiB, 2 passes, 1
 * lane): published. The aim of 0.5 to 1 second is a unit setting (project default).
 */

/** Parameters of Argon2id: KiB of memory, passes over it, lanes side by side. */
export interface ArgonCost {
  memoryKiB: number;
  passes: number;
  lanes: number;
}

/** Makes 32 bytes from a PIN. */
export type ArgonHash = (pin: string, salt: Uint8Array, cost: ArgonCost) => Promise<Uint8Array>;

/** Argon2id on this device. */
export interface Argon {
  hash: ArgonHash;
  /** Return the cost that fits this device; never below the floor. */
  calibrate(): Promise<ArgonCost>;
}

const MIB = 1024;
const step = (memoryMiB: number, passes: number): ArgonCost => ({
  memoryKiB: memoryMiB * MIB,
  passes,
  lanes: 1,
});

/** From the floor up; each asks for more of an attacker than the one before. */
export const COSTS: readonly ArgonCost[] = [
  step(19, 2),
  step(32, 2),
  step(48, 2),
  step(64, 2),
  step(64, 3),
  step(96, 3),
  step(128, 3),
  step(128, 4),
  step(128, 6),
];

const LEAST_MS = 500;
const AIM_MS = 750;
/** One hash of this cost is measured, the others are reckoned from it. */
const PROBE = step(64, 2);

/** Return the highest cost of which one hash takes no longer than the aim; at least the floor. */
export async function calibrateCost(
  hash: ArgonHash,
  monotonicMs: () => number,
): Promise<ArgonCost> {
  const began = monotonicMs();
  await hash('000000', new Uint8Array(16), PROBE);
  const msPerWeight = (monotonicMs() - began) / weightOf(PROBE);
  const fitting = COSTS.filter((cost) => weightOf(cost) * msPerWeight <= AIM_MS);
  return fitting.at(-1) ?? (COSTS[0] as ArgonCost);
}

/**
 * Return the next cost up, null where one hash took long enough.
 *
 * @param tookMs - how long one hash of `cost` has just taken here
 */
export function strongerCost(cost: ArgonCost, tookMs: number): ArgonCost | null {
  // A step asks for half as much again or more: from below two thirds of the least it stays short.
  if (tookMs >= (LEAST_MS * 2) / 3) return null;
  return COSTS.find((one) => weightOf(one) > weightOf(cost)) ?? null;
}

/** Memory times passes: what an attacker pays for one try. */
function weightOf(cost: ArgonCost): number {
  return cost.memoryKiB * cost.passes;
}
