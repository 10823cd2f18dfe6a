/** Registers the service worker, so that the app starts with no network. */

/**
 * Register the service worker of the built app; does nothing while developing.
 *
 * A new version waits until every window is closed, so that no case is cut short (HAZ-27).
 */
export function registerServiceWorker(): void {
  if (!import.meta.env.PROD || !('serviceWorker' in navigator)) return;
  void import('virtual:pwa-register').then(({ registerSW }) => registerSW());
}
