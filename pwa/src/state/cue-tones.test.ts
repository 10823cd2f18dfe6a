import { expect, test } from 'vitest';
import { CUES, cueSamples, PEAKS } from './cue-tones';

const RATES = [44_100, 48_000];

/** Stretches of 5 ms that are heard, joined where they touch: the pulses of a sound. */
function pulses(samples: Float32Array, perSecond: number): number {
  const window = Math.round(perSecond / 200);
  const loudest = Math.max(...samples.map(Math.abs));
  let count = 0;
  let isHeard = false;
  for (let from = 0; from < samples.length; from += window) {
    const part = samples.subarray(from, from + window);
    const now = Math.max(...part.map(Math.abs)) > loudest * 0.05;
    if (now && !isHeard) count += 1;
    isHeard = now;
  }
  return count;
}

/** How often a signal rises through zero in a second. */
function rises(samples: Float32Array, perSecond: number): number {
  let count = 0;
  for (let at = 1; at < samples.length; at++) {
    if ((samples[at - 1] ?? 0) < 0 && (samples[at] ?? 0) >= 0) count += 1;
  }
  return (count * perSecond) / samples.length;
}

/** Has caught: a swell of three humps, `Math.sin((3 * Math.PI * at) / last) ** 2`. */
test('[HAZ-20] each cue is one pulse of half a second at most, from silence to silence', () => {
  for (const perSecond of RATES) {
    for (const cue of CUES) {
      const samples = cueSamples(cue, 'normal', perSecond);
      expect([cue, pulses(samples, perSecond)]).toEqual([cue, 1]);
      expect(samples.length / perSecond).toBeLessThanOrEqual(0.5);
      expect(Math.abs(samples.at(0) ?? 1)).toBeLessThan(0.001);
      expect(Math.abs(samples.at(-1) ?? 1)).toBeLessThan(0.001);
    }
  }
});

test('[HAZ-20] the count of pulses sees a burst of three', () => {
  const one = cueSamples('recorded', 'normal', 48_000);
  const pause = new Float32Array(4_800);
  const burst = Float32Array.from([...one, ...pause, ...one, ...pause, ...one]);

  expect(pulses(burst, 48_000)).toBe(3);
});

test('[HAZ-20] the cues are soft: a fifth of full scale, low a third of that, off is silence', () => {
  for (const cue of CUES) {
    const peak = (loudness: 'off' | 'low' | 'normal') =>
      Math.max(...cueSamples(cue, loudness, 48_000).map(Math.abs));
    expect(peak('normal')).toBeLessThanOrEqual(PEAKS.normal);
    expect(peak('normal')).toBeGreaterThan(PEAKS.normal * 0.9);
    expect(peak('low')).toBeLessThanOrEqual(0.06);
    expect(peak('off')).toBe(0);
  }
});

test('[UX-13] there are four cues, and their tones lie at least a fifth apart', () => {
  const found = CUES.map((cue) => rises(cueSamples(cue, 'normal', 48_000), 48_000)).toSorted(
    (a, b) => a - b,
  );

  expect(found).toHaveLength(4);
  for (let at = 1; at < found.length; at++) {
    expect((found[at] ?? 0) / (found[at - 1] ?? 1)).toBeGreaterThan(1.2);
  }
});
