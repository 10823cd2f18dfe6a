/**
 * The codes of a card as the tablet draws them: read back, they say what the label says.
 *
 * Caught: a lot with a bracket refused by the writer, and HIBC written as GS1.
 */
import { readFileSync } from 'node:fs';
import { afterAll, beforeAll, expect, test, vi } from 'vitest';
import { prepareZXingModule, readBarcodes } from 'zxing-wasm/reader';
import { browserCodes } from './code-writer';

const SCALE = 4;

const bytesOf = (name: string) => {
  const file = readFileSync(new URL(`../../node_modules/zxing-wasm/dist/${name}`, import.meta.url));
  return file.buffer.slice(file.byteOffset, file.byteOffset + file.byteLength) as ArrayBuffer;
};

beforeAll(() => {
  prepareZXingModule({ overrides: { wasmBinary: bytesOf('reader/zxing_reader.wasm') } });
  const wasm = bytesOf('writer/zxing_writer.wasm');
  vi.stubGlobal('fetch', async () => new Response(wasm));
});

afterAll(() => {
  vi.unstubAllGlobals();
});

/** Return a drawing of runs of modules as pixels. */
function paint(svg: string): ImageData {
  const [, width = 0, height = 0] = (/<svg width="(\d+)" height="(\d+)"/.exec(svg) ?? []).map(
    Number,
  );
  const data = new Uint8ClampedArray(width * height * 4 * SCALE * SCALE).fill(255);
  const runs = [...svg.matchAll(/M(\d+),?\s*(\d+)h(\d+)v(\d+)h-\d+Z?/gi)];
  for (const run of runs) {
    const [x = 0, y = 0, wide = 0, tall = 0] = run.slice(1).map(Number);
    for (let row = y * SCALE; row < (y + tall) * SCALE; row += 1) {
      const start = (row * width * SCALE + x * SCALE) * 4;
      for (let at = start; at < start + wide * SCALE * 4; at += 4) data.fill(0, at, at + 3);
    }
  }
  return { data, width: width * SCALE, height: height * SCALE } as ImageData;
}

test.each([
  ['[01]02012345678903[11]250430[17]280430[10]L(1)[240]C14', true],
  ['[01]02012345678903', true],
  ['+A123BJC5D6E71/$$3270228LOT1I', false],
  ['+A123BJC5D6E71/$LTD9 ', false],
])('[DL12] %s is read back as it stands', async (code, isGs1) => {
  const svg = (await browserCodes.draw('matrix', code)) ?? '';
  const [read] = await readBarcodes(paint(svg), { formats: ['DataMatrix'] });
  expect(read?.text).toBe(code.replaceAll('[', '(').replaceAll(']', ')'));
  expect(read?.contentType).toBe(isGs1 ? 'GS1' : 'Text');
});

test('[HAZ-46] what is no code is none, and nothing is drawn for it', async () => {
  expect(await browserCodes.draw('matrix', '[01]123')).toBeNull();
});
