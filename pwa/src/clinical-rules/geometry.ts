/**
 * Needle, coil and varix as cylinders and ellipsoids, in whole numbers. Twin of `geometry.py`.
 *
 * Products pass 2^53, so they are made of BigInt; pi is 355/113 in both engines (GE1).
 */

const UM3_PER_UL = 1_000_000_000n;
/** Of each number that is a sum of ours, in the words that an answer gives for it. */
export const BASIS = {
  dead_space_ul: ['derived', 'pi/4 d^2 L'],
  volume_ul: ['published', 'V = 4pi/3 (A/2)(B/2)(C/2), volume embolisation ratio literature'],
  packing_per_mille_from_to: ['derived', 'metal through volume of the varix'],
  leaves_tip_before_flush_ul: ['derived', 'clamp(V + flush - dead space, 0, V), mass balance'],
  mix_ul: ['derived', "adhesive (pure) times all parts through the adhesive's parts"],
} as const;

/** The quotient of two whole numbers, none negative, a half rounded up. */
export function divideHalfUp(dividend: bigint, divisor: bigint): number {
  return Number((2n * dividend + divisor) / (2n * divisor));
}

/** What a needle's lumen holds, in microlitres: pi/4 d^2 L (GE2). */
export function lumenUl(innerDiameterUm: number, lengthUm: number): number {
  const diameter = BigInt(innerDiameterUm);
  return divideHalfUp(355n * diameter * diameter * BigInt(lengthUm), 113n * 4n * UM3_PER_UL);
}

/** The ellipsoid of three diameters, in microlitres: pi/6 ABC (GE3). */
export function ellipsoidUl(firstUm: number, secondUm: number, thirdUm: number): number {
  return divideHalfUp(
    355n * BigInt(firstUm) * BigInt(secondUm) * BigInt(thirdUm),
    113n * 6n * UM3_PER_UL,
  );
}

/** Metal per volume in thousandths (GE4); pi cancels. */
export function packingPerMille(
  coils: readonly { wire_um: number; length_um: number }[],
  axesUm: readonly [number, number, number],
): number {
  const metal = coils.reduce(
    (sum, { wire_um, length_um }) => sum + BigInt(wire_um) * BigInt(wire_um) * BigInt(length_um),
    0n,
  );
  const [a, b, c] = axesUm;
  return divideHalfUp(6000n * metal, 4n * BigInt(a) * BigInt(b) * BigInt(c));
}

/** How much adhesive has left the tip: clamp(V + flush - dead space, 0, V) (AD1). */
export function leavesTipUl(givenUl: number, flushUl: number, deadSpaceUl: number): number {
  return Math.min(Math.max(givenUl + flushUl - deadSpaceUl, 0), givenUl);
}
