/** Registers the service worker, so that the app starts with no network; tells of a new build. */
import { scriptAddress } from '../script-address';
import type { UpdatePort } from '../state/app-update.svelte';
import { readServedBuild } from './build';
import { holdBuild, releaseBuild } from './held-build';

let registering: Promise<ServiceWorkerRegistration | null> | null = null;

/** Register the service worker of the built app, once; null where there is none. */
export function registerServiceWorker(): Promise<ServiceWorkerRegistration | null> {
  registering ??=
    import.meta.env.PROD && 'serviceWorker' in navigator
      ? // Private windows and some policies refuse: the app then needs the network to start.
        navigator.serviceWorker
          .register(scriptAddress('serviceWorker'), { updateViaCache: 'none' })
          .catch(() => null)
      : Promise.resolve(null);
  return registering;
}

/**
 * The service worker of the built app, behind the port that the update asks; while developing
 * there is none and nothing ever waits.
 *
 * A new build waits until it is let in or every window is closed; through a live case the files of
 * its own build are handed out also after that, so that no case is cut short (HAZ-27).
 */
export const browserUpdates: UpdatePort = {
  async watch({ onWaiting, onTakenOver }) {
    const registration = await registerServiceWorker();
    if (registration === null) return;
    const { serviceWorker } = navigator;
    let hadController = serviceWorker.controller !== null;
    serviceWorker.addEventListener('controllerchange', () => {
      // The very first one takes over a page that was loaded with the same build.
      if (hadController) onTakenOver();
      hadController = true;
    });
    const look = (worker: ServiceWorker | null) => {
      worker?.addEventListener('statechange', () => {
        if (worker.state === 'installed' && serviceWorker.controller !== null) onWaiting();
      });
    };
    if (registration.waiting !== null && serviceWorker.controller !== null) onWaiting();
    look(registration.installing);
    registration.addEventListener('updatefound', () => look(registration.installing));
  },
  look() {
    // Without a network there is nothing to be found.
    void registerServiceWorker().then((found) => found?.update().catch(() => {}));
  },
  letIn() {
    void registerServiceWorker().then((found) =>
      found?.waiting?.postMessage({ type: 'SKIP_WAITING' }),
    );
  },
  reload: () => window.location.reload(),
  wait: (ms) => new Promise((resolve) => setTimeout(resolve, ms)),
  servedBuild: readServedBuild,
  hold: holdBuild,
  release: releaseBuild,
};
