import { readdirSync, readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { afterEach, describe, expect, it, vi } from 'vitest';

const sources = fileURLToPath(new URL('.', import.meta.url));

/** Return the places of the sources that hold a text, tests left out. */
function whereIs(text: RegExp): string[] {
  return readdirSync(sources, { recursive: true, encoding: 'utf8' })
    .filter((name) => /\.(ts|svelte)$/.test(name) && !name.endsWith('.test.ts'))
    .filter((name) => text.test(readFileSync(sources + name, 'utf8')))
    .sort();
}

describe('the addresses of scripts', () => {
  afterEach(() => vi.unstubAllGlobals());

  /** The planted bug it has caught: a policy that passes on whatever text it is given. */
  it('are made by one policy, for three names and nothing else [SEC-03]', async () => {
    const made: { name: string; create(text: string): string }[] = [];
    vi.stubGlobal('trustedTypes', {
      createPolicy(name: string, rules: { createScriptURL(text: string): string }) {
        made.push({ name, create: rules.createScriptURL });
        return rules;
      },
    });
    vi.resetModules();
    const { scriptAddress } = await import('./script-address');

    expect(scriptAddress('serviceWorker')).toBe('/sw.js');
    expect(scriptAddress('store')).toContain('store-worker');
    expect(scriptAddress('labelReader')).toContain('label-reader-worker');
    expect(made.map(({ name }) => name)).toEqual(['app-urls']);
    for (const text of [
      '/evil.js',
      'https://a.invalid/x.js',
      'data:,1',
      'toString',
      '__proto__',
      '',
    ]) {
      expect(() => made[0]?.create(text), text).toThrow(TypeError);
    }
  });

  /** The planted bug it has caught: a worker started from an address of its own. */
  it('are the only way to start one, and no markup is made of text [SEC-03]', () => {
    const withWorker = whereIs(/new (Shared)?Worker\(|serviceWorker\s*\.register\(/);
    expect(withWorker).toEqual([
      'device/label-camera.ts',
      'device/service-worker.ts',
      'storage/worker-record-store.ts',
    ]);
    expect(whereIs(/new (Shared)?Worker\((?!scriptAddress\()/)).toEqual([]);
    expect(whereIs(/serviceWorker\s*\.register\((?!scriptAddress\()/)).toEqual([]);
    expect(
      whereIs(
        /\b(inner|outer)HTML\b|insertAdjacentHTML|\{@html|document\.write|\beval\(|new Function\(|srcdoc|DOMParser|createContextualFragment/,
      ),
    ).toEqual([]);
    expect(whereIs(/\.createPolicy\((?!\s*'app-urls')/)).toEqual([]);
  });
});
