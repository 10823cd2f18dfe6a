/**
 * How a length measured on a picture becomes an axis of a target, and how it is seen again. Pure.
 *
 * Rules PM6 and PM7: each axis taken over names its picture, scale and points; the size as a whole
 * is `measured-on-image` only while every axis it holds was measured so.
 */
import { answerPictureLength } from '../clinical-rules/picture-length';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Json } from '../ports';
import { calculate, countOf, partOf } from './calculation';

export const AXES = ['short_axis', 'long_axis', 'third_axis'] as const;
export type Axis = (typeof AXES)[number];
export const ON_IMAGE = 'measured-on-image';

type Parts = { readonly [part: string]: Json };

/** What an axis was measured by: enough to measure it again. */
export interface OnImage {
  /** Record of the picture. */
  picture: string;
  sha256: string;
  /** What `picture-length` was asked. */
  request: Json;
  error_um: number;
}

/** Return the size with one axis taken over from a picture, its other parts as they stand. */
export function takeAxis(size: Parts | null, axis: Axis, lengthUm: number, by: OnImage): Json {
  const onImages = { ...imagesOf(size), [axis]: { ...by } };
  const taken = { ...size, [`${axis}_um`]: lengthUm, on_images: onImages };
  const others = AXES.filter((one) => typeof taken[`${one}_um` as keyof typeof taken] === 'number');
  return others.every((one) => one in onImages) ? { ...taken, origin: ON_IMAGE } : taken;
}

/** Return the size with one part entered by hand; an axis entered so was not measured on a picture. */
export function enterPart(size: Parts | null, part: string, content: Json): Json {
  const axis = AXES.find((one) => part === `${one}_um`);
  if (axis === undefined) return { ...size, [part]: content };
  const { [axis]: _, ...onImages } = imagesOf(size);
  const { on_images: __, origin, ...rest } = { ...size, [part]: content };
  return {
    ...rest,
    // Whoever enters a number by hand says anew where it comes from.
    ...(origin === undefined || origin === ON_IMAGE ? {} : { origin }),
    ...(Object.keys(onImages).length > 0 ? { on_images: onImages } : {}),
  };
}

/**
 * Return what an axis was measured by, null where it was not measured on a picture, or where
 * measuring again gives another length: then it is not shown as measured so.
 */
export function onImageOf(size: Parts | null, axis: Axis, ruleBook: RuleBook): OnImage | null {
  const by = partOf(imagesOf(size)[axis]);
  if (by === null || typeof by.picture !== 'string' || typeof by.sha256 !== 'string') return null;
  const { answer } = calculate(() => answerPictureLength(by.request, ruleBook));
  // Before PM8 the exact length was recorded.
  const said = partOf(answer, 'said');
  const given = [countOf(said, 'length_um'), countOf(answer, 'length_um')];
  const held = countOf(size, `${axis}_um`);
  if (said === null || held === null || !given.includes(held)) return null;
  const { picture, sha256, request } = by;
  return {
    picture,
    sha256,
    request: request as Json,
    error_um: countOf(said, 'error_um') ?? 0,
  };
}

/** Return the axes of a size that were measured on one of these pictures, entered in error since. */
export function axesOnPictures(size: Parts | null, pictures: ReadonlySet<string>): Axis[] {
  return AXES.filter((axis) => {
    const picture = partOf(imagesOf(size)[axis])?.picture;
    return typeof picture === 'string' && pictures.has(picture);
  });
}

function imagesOf(size: Parts | null): Record<string, Json> {
  return (partOf(size?.on_images) as Record<string, Json> | null) ?? {};
}
