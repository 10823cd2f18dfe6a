/**
 * The only three scripts that the page starts besides itself, and the only Trusted Types policy.
 *
 * The content security policy of the unit server (`api/routes/outer_shell.py`) lets a script be
 * started only from an address that this policy has made, and lets no second policy be made. It
 * takes a name, never an address, so that no text of a record can become one [SEC-03]. There is no
 * policy for markup: screens are built element by element (`fragments: 'tree'` in vite.config.ts).
 */
import labelReader from './device/label-reader-worker.ts?worker&url';
import store from './storage/store-worker.ts?worker&url';

const ADDRESSES = { store, labelReader, serviceWorker: '/sw.js' } as const;

export type ScriptName = keyof typeof ADDRESSES;

/** What browsers with Trusted Types bring; the standard library does not describe it yet. */
interface PolicyFactory {
  createPolicy(
    name: 'app-urls',
    rules: { createScriptURL(name: string): string },
  ): { createScriptURL(name: string): string };
}

/** Return the address behind a name; throws a TypeError for any other text. */
function findAddress(name: string): string {
  if (!Object.hasOwn(ADDRESSES, name)) throw new TypeError('No script of this app has that name.');
  return ADDRESSES[name as ScriptName];
}

const policy = (globalThis as { trustedTypes?: PolicyFactory }).trustedTypes?.createPolicy(
  'app-urls',
  { createScriptURL: findAddress },
);

/** Return what `new Worker` and `register` take; browsers without Trusted Types take plain text. */
export function scriptAddress(name: ScriptName): string {
  return policy === undefined ? findAddress(name) : policy.createScriptURL(name);
}
