/** The browser's screen wake lock, behind the port that the screen keeper asks. */
import type { WakeLockPort } from '../state/screen-keeper.svelte';

export const browserWakeLock: WakeLockPort = {
  get isKnown() {
    return 'wakeLock' in navigator;
  },
  async request() {
    try {
      const lock = await navigator.wakeLock.request('screen');
      return {
        onRelease: (listener) => lock.addEventListener('release', listener, { once: true }),
        release: () => void lock.release(),
      };
    } catch {
      // Battery low, page hidden or not allowed: the status line says "Screen may sleep".
      return null;
    }
  },
  onVisible(listener) {
    document.addEventListener('visibilitychange', () => {
      if (document.visibilityState === 'visible') listener();
    });
  },
};
