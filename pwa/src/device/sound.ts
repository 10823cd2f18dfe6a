/** The browser's sound, behind the port that the cues ask. */
import type { SoundPort } from '../state/cues.svelte';

let context: AudioContext | null = null;
const listeners = new Set<() => void>();
const tell = () => {
  for (const listener of listeners) listener();
};

/** Make the context once; null where the browser has none. */
function open(): AudioContext | null {
  if (context !== null || !('AudioContext' in globalThis)) return context;
  context = new AudioContext({ latencyHint: 'interactive' });
  // Some tablets interrupt sound for a call and never say so by any other event.
  context.addEventListener('statechange', tell);
  return context;
}

export const browserSound: SoundPort = {
  unlock() {
    // Refused without a touch: the screen then says that sound does not play.
    open()?.resume().then(tell, tell);
  },
  isRunning: () => context?.state === 'running',
  perSecond: () => context?.sampleRate ?? 48_000,
  play(samples) {
    if (context === null) return;
    const buffer = context.createBuffer(1, samples.length, context.sampleRate);
    buffer.copyToChannel(samples, 0);
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.connect(context.destination);
    source.start();
  },
  onChange: (listener) => void listeners.add(listener),
};
