import { readdirSync, readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';

const SOURCES = fileURLToPath(new URL('..', import.meta.url));
const FLASHES = /@keyframes|\banimation(-[a-z]+)?\s*:|<(marquee|blink)\b|text-decoration:\s*blink/;

/** Has caught: `animation: pulse 1s infinite` on the edge below. */
test('[HAZ-20] nothing on any screen flashes: no style animates by itself', () => {
  const styled = readdirSync(SOURCES, { recursive: true, encoding: 'utf8' }).filter((name) =>
    /\.(svelte|css)$/.test(name),
  );
  const flashing = styled.filter((name) => FLASHES.test(readFileSync(SOURCES + name, 'utf8')));

  expect(flashing).toEqual([]);
  expect(styled.length).toBeGreaterThan(60);
});
