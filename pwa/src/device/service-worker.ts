/** Registers the service worker, so that the app starts with no network. */

let update: (() => Promise<void>) | null = null;

/** Register the service worker of the built app; does nothing while developing. */
export function registerServiceWorker(onWaiting: () => void = () => {}): void {
  if (!import.meta.env.PROD || !('serviceWorker' in navigator)) return;
  void import('virtual:pwa-register').then(({ registerSW }) => {
    const takeOver = registerSW({
      onNeedRefresh() {
        update = () => takeOver(true);
        onWaiting();
      },
    });
  });
}

/** Change to the waiting version; never called by itself, so that no case is cut short (HAZ-27). */
export async function changeToWaitingVersion(): Promise<void> {
  await update?.();
}
