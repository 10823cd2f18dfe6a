/**
 * The four sounds as numbers: one soft tone each, no file (UX-13).
 *
 * The app is no alarm system. A cue is one pulse, never a burst and never repeated, so that nobody
 * takes it for a patient monitor, whose alarms are bursts of three or five pulses (IEC 60601-1-8;
 * from memory) (HAZ-20). Pure; the numbers are project defaults.
 */

export type Cue = 'recorded' | 'time' | 'blocked' | 'sync-lost';
export const CUES: readonly Cue[] = ['recorded', 'time', 'blocked', 'sync-lost'];
export type Loudness = 'off' | 'low' | 'normal';

/** Largest amplitude of a sample, full scale being 1. */
export const PEAKS: Readonly<Record<Loudness, number>> = { off: 0, low: 0.06, normal: 0.2 };

/** Frequency in hertz and length in milliseconds; apart enough to be told without looking. */
const TONES: Readonly<Record<Cue, { hz: number; ms: number }>> = {
  recorded: { hz: 660, ms: 120 },
  time: { hz: 520, ms: 450 },
  blocked: { hz: 220, ms: 240 },
  'sync-lost': { hz: 330, ms: 360 },
};

/**
 * Return the samples of a cue, from silence to silence.
 *
 * @param perSecond - samples a second
 */
export function cueSamples(
  cue: Cue,
  loudness: Loudness,
  perSecond: number,
): Float32Array<ArrayBuffer> {
  const { hz, ms } = TONES[cue];
  const samples = new Float32Array(Math.round((ms * perSecond) / 1_000));
  const last = samples.length - 1;
  for (let at = 0; at <= last; at++) {
    // One hump over the whole length: no click at either end, and a single pulse.
    const swell = Math.sin((Math.PI * at) / last) ** 2;
    samples[at] = PEAKS[loudness] * swell * Math.sin((2 * Math.PI * hz * at) / perSecond);
  }
  return samples;
}
