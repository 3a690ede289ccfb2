/** Which part of the picture the view shows, and how large. */

/** Zoom, and the point of the picture at the view's upper left corner; pixels of the picture from its own corner. */
export interface Place {
  /** Pixels of the view a pixel of the picture. */
  readonly zoom: number;
  readonly left: number;
  readonly top: number;
}

/** Width and height of a view or a picture, pixels. */
export interface Extent {
  readonly width: number;
  readonly height: number;
}

/** The whole picture in the middle of the view, no larger than four times its pixels. */
export function fitting(picture: Extent, view: Extent): Place {
  const zoom = Math.min(4, view.width / picture.width, view.height / picture.height);
  return centred({ x: picture.width / 2, y: picture.height / 2 }, zoom, view);
}

/** A point of the picture in the middle of the view. */
export const centred = ({ x, y }: { readonly x: number; readonly y: number }, zoom: number, view: Extent): Place => ({
  zoom,
  left: x - view.width / zoom / 2,
  top: y - view.height / zoom / 2,
});

/** Another zoom; the point of the picture under a point of the view stays there. */
export function zoomedAt(place: Place, zoom: number, x: number, y: number): Place {
  return { zoom, left: place.left + x / place.zoom - x / zoom, top: place.top + y / place.zoom - y / zoom };
}

/** Zooms that keys and buttons go through. */
const zooms = [1 / 8, 1 / 4, 1 / 2, 1, 2, 4, 8, 16];

/** The next of these zooms. */
export const nextZoom = (zoom: number, closer: boolean): number =>
  closer
    ? zooms.find((each) => each > zoom * 1.001) ?? zooms[zooms.length - 1]
    : zooms.findLast((each) => each < zoom / 1.001) ?? zooms[0];

/** Moved by pixels of the view. */
export const moved = (place: Place, x: number, y: number): Place => ({
  ...place,
  left: place.left - x / place.zoom,
  top: place.top - y / place.zoom,
});
