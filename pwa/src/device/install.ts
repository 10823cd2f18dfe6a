/** Whether the app is installed, and asking the browser to install it. */
import type { Installing } from '../state/device-facts.svelte';

/** The event of browsers that can install on request; the DOM types do not know it. */
interface InstallEvent extends Event {
  prompt(): Promise<void>;
  readonly userChoice: Promise<{ outcome: 'accepted' | 'dismissed' }>;
}

let asking: InstallEvent | null = null;
const listeners = new Set<() => void>();
const tell = () => {
  for (const listener of listeners) listener();
};

if ('window' in globalThis) {
  // Told once, soon after the page was loaded: kept until a person presses.
  window.addEventListener('beforeinstallprompt', (event) => {
    event.preventDefault();
    asking = event as InstallEvent;
    tell();
  });
  window.addEventListener('appinstalled', () => {
    asking = null;
    tell();
  });
}

export const installing = {
  standing(): Installing {
    const own = navigator as { standalone?: boolean };
    if (own.standalone === true) return 'installed';
    if (matchMedia('(display-mode: standalone)').matches) return 'installed';
    if (asking !== null) return 'can-ask';
    return own.standalone === false ? 'by-hand' : 'not-offered';
  },
  async ask(): Promise<void> {
    await asking?.prompt();
    await asking?.userChoice;
    // One event serves one question.
    asking = null;
    tell();
  },
  onChange: (listener: () => void) => void listeners.add(listener),
};
