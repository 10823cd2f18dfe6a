/** Reads codes beside the page, so that the picture on screen stays smooth. */
import { prepareZXingModule } from 'zxing-wasm/reader';
import { readPicture } from './label-reader';
import { readReader } from './label-reader-files';

/** A picture to read; it is closed here. */
export type ToReader = ImageBitmap;
/** Its codes; null where the program that reads them is not on this tablet. */
export type FromReader = string[] | null;

let canvas: OffscreenCanvas | null = null;
let isPrepared: Promise<boolean> | null = null;

async function prepare(): Promise<boolean> {
  const wasmBinary = await readReader();
  if (wasmBinary === null) return false;
  prepareZXingModule({ overrides: { wasmBinary, locateFile: (name: string) => name } });
  return true;
}

function pixelsOf(bitmap: ImageBitmap): ImageData | null {
  const { width, height } = bitmap;
  if (canvas?.width !== width || canvas.height !== height) {
    canvas = new OffscreenCanvas(width, height);
  }
  const pen = canvas.getContext('2d', { willReadFrequently: true });
  pen?.drawImage(bitmap, 0, 0);
  bitmap.close();
  return pen?.getImageData(0, 0, width, height) ?? null;
}

self.addEventListener('message', async ({ data }: MessageEvent<ToReader>) => {
  const picture = pixelsOf(data);
  isPrepared ??= prepare();
  if (!(await isPrepared)) {
    // The network may come back: the next picture asks again.
    isPrepared = null;
    self.postMessage(null satisfies FromReader);
    return;
  }
  const codes = picture === null ? [] : await readPicture(picture).catch(() => []);
  self.postMessage(codes satisfies FromReader);
});
