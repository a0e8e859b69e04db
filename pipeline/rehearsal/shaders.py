"""GLSL programs of the renderer.

Frames are drawn with image row 0 at the bottom of the framebuffer, so that what is read back
starts with the top row. Colours are linear light until ``DEVELOP``.
"""

__all__ = [
    "ACCUMULATE",
    "ACTOR_FRAGMENT",
    "ACTOR_SHADOW_VERTEX",
    "ACTOR_VERTEX",
    "BACKDROP",
    "COPY_BACKDROP",
    "DEVELOP",
    "FULL_VERTEX",
    "HEAD",
    "LIGHT",
    "MOVING_OUTPUTS",
    "NOTHING_FRAGMENT",
    "PROP_FRAGMENT",
    "PROP_SHADOW_VERTEX",
    "PROP_VERTEX",
    "SHRINK",
    "STILL_OUTPUTS",
    "VEIL",
]

HEAD = "#version 330\n"

FULL_VERTEX = (
    HEAD
    + """
out vec2 at;
void main() {
    vec2 corner = vec2((gl_VertexID << 1) & 2, gl_VertexID & 2);
    at = corner;
    gl_Position = vec4(corner * 2.0 - 1.0, 0.0, 1.0);
}
"""
)

_SKIN = """
in vec3 position;
in vec3 normal;
in vec3 colour;
in vec4 weights;
in uvec4 bones;
in float material;
layout(std140) uniform Bones { vec4 bone_rows[192]; };
mat3x4 blended() {
    mat3x4 total = mat3x4(0.0);
    for (int k = 0; k < 4; ++k) {
        int row = 3 * int(bones[k]);
        total += weights[k] * mat3x4(bone_rows[row], bone_rows[row + 1], bone_rows[row + 2]);
    }
    return total;
}
"""

ACTOR_VERTEX = (
    HEAD
    + _SKIN
    + """
uniform mat4 to_clip;
out vec3 world;
out vec3 outward;
out vec3 rest;
out vec3 tint;
flat out int slot;
void main() {
    mat3x4 bone = blended();
    world = vec4(position, 1.0) * bone;
    outward = vec4(normal, 0.0) * bone;
    rest = position;
    tint = colour;
    slot = int(material + 0.5);
    gl_Position = to_clip * vec4(world, 1.0);
}
"""
)

ACTOR_SHADOW_VERTEX = (
    HEAD
    + _SKIN
    + """
uniform mat4 to_clip;
void main() {
    gl_Position = to_clip * vec4(vec4(position, 1.0) * blended(), 1.0);
}
"""
)

PROP_VERTEX = (
    HEAD
    + """
in vec3 position;
in vec3 normal;
in vec3 colour;
in float shine;
uniform mat4 to_world;
uniform mat4 to_clip;
out vec3 world;
out vec3 outward;
out vec3 tint;
out float gloss;
void main() {
    vec4 placed = to_world * vec4(position, 1.0);
    world = placed.xyz;
    outward = mat3(to_world) * normal;
    tint = colour;
    gloss = shine;
    gl_Position = to_clip * placed;
}
"""
)

PROP_SHADOW_VERTEX = (
    HEAD
    + """
in vec3 position;
uniform mat4 to_world;
uniform mat4 to_clip;
void main() { gl_Position = to_clip * to_world * vec4(position, 1.0); }
"""
)

NOTHING_FRAGMENT = HEAD + "void main() {}\n"

LIGHT = """
uniform vec3 eye;
uniform float label;
uniform vec3 sun;
uniform vec3 key_light;
uniform vec3 sky_light;
uniform vec3 ground_light;
uniform sampler2DShadow shadow_map;
uniform mat4 to_shadow;
uniform float shadow_spread;
uniform float shadow_depth_m;
uniform float shadow_strength;
const vec2 taps[12] = vec2[](
    vec2(-0.33, -0.94), vec2(0.94, 0.33), vec2(-0.94, 0.33), vec2(0.33, 0.94),
    vec2(0.16, -0.43), vec2(-0.46, 0.10), vec2(0.38, 0.27), vec2(-0.10, 0.51),
    vec2(0.72, -0.60), vec2(-0.66, -0.42), vec2(-0.52, 0.72), vec2(0.62, 0.66)
);
float lit_share(vec3 place, float bias) {
    vec3 p = (to_shadow * vec4(place, 1.0)).xyz * 0.5 + 0.5;
    if (any(lessThan(p, vec3(0.0))) || any(greaterThan(p, vec3(1.0)))) return 1.0;
    p.z -= bias / shadow_depth_m;
    // Taps turned from pixel to pixel leave fine grain where fixed ones would leave bands
    // (interleaved gradient noise, Jimenez 2014, constants from memory).
    float slant = fract(dot(gl_FragCoord.xy, vec2(0.06711056, 0.00583715)));
    float turn = 6.2832 * fract(52.9829189 * slant);
    mat2 spin = shadow_spread * mat2(cos(turn), sin(turn), -sin(turn), cos(turn));
    float sum = 0.0;
    for (int k = 0; k < 4; ++k)
        sum += texture(shadow_map, vec3(p.xy + spin * taps[k], p.z));
    // Most points lie wholly in light or wholly in shade: four taps tell.
    if (sum < 0.001 || sum > 3.999) return 1.0 - shadow_strength * (1.0 - sum * 0.25);
    for (int k = 4; k < 12; ++k)
        sum += texture(shadow_map, vec3(p.xy + spin * taps[k], p.z));
    return 1.0 - shadow_strength * (1.0 - sum / 12.0);
}
vec3 shaded(vec3 base, vec3 n, vec3 place, float gloss, float wrap, float bias) {
    float facing = dot(n, sun);
    float key = clamp((facing + wrap) / (1.0 + wrap), 0.0, 1.0);
    if (key > 0.0) key *= lit_share(place + n * 0.012, bias);
    vec3 around = mix(ground_light, sky_light, 0.5 + 0.5 * n.z);
    vec3 view = normalize(eye - place);
    float glint = pow(max(dot(n, normalize(sun + view)), 0.0), 40.0) * gloss;
    float rim = pow(1.0 - max(dot(n, view), 0.0), 4.0) * (0.04 + 0.4 * gloss);
    return base * (key_light * key + around) + key_light * key * glint + around * rim;
}
"""

# What a fragment hands on: moving things keep their distance beside the colour (and, for crops,
# their coverage); bystanders go into the pictures of the scenery.
MOVING_OUTPUTS = """
layout(location = 0) out vec4 shown;
layout(location = 1) out vec4 covered;
void emit(vec3 colour) {
    float z = 1.0 / gl_FragCoord.w;
    shown = vec4(colour, z);
    covered = vec4(1.0, z, label, 1.0);
}
"""
STILL_OUTPUTS = """
layout(location = 0) out vec4 key_shown;
layout(location = 1) out vec4 around_shown;
layout(location = 2) out float depth_m;
void emit(vec3 colour) {
    key_shown = vec4(0.0, 0.0, 0.0, 1.0);
    around_shown = vec4(colour, 1.0);
    depth_m = 1.0 / gl_FragCoord.w;
}
"""

ACTOR_FRAGMENT = (
    HEAD
    + LIGHT
    + """
in vec3 world;
in vec3 outward;
in vec3 rest;
in vec3 tint;
flat in int slot;
layout(std140) uniform Materials { vec4 material_rows[48]; };
OUTPUTS
float band(float v, float share) {
    float w = max(fwidth(v), 1e-4);
    float f = abs(fract(v) - 0.5) * 2.0;
    return clamp((share - f) / w + 0.5, 0.0, 1.0);
}
float mixed(int pattern, float size) {
    vec3 q = rest / size;
    if (pattern == 1) return band(q.z, 0.5);
    if (pattern == 2) return band(q.x, 0.4);
    if (pattern == 3) return 0.5 * band(q.z, 0.5) + 0.5 * band(q.x, 0.5);
    if (pattern == 4) return smoothstep(-0.004, 0.004, abs(rest.x) - 0.11);
    if (pattern == 5) return band(dot(rest, vec3(0.5, 0.0, 0.55)) * 1.6 + 0.1, 0.16);
    if (pattern == 6) {
        vec2 cell = fract(q.xz + vec2(0.5 * mod(floor(q.z), 2.0), 0.0)) - 0.5;
        return 1.0 - smoothstep(0.24, 0.30, length(cell));
    }
    if (pattern == 7) return smoothstep(0.9, 1.35, rest.z);
    if (pattern == 8)
        return 0.5 + 0.5 * sin(rest.x * 300.0 + 3.0 * sin(rest.z * 60.0 + rest.y * 70.0));
    return 0.0;
}
void main() {
    vec4 first = material_rows[3 * slot], second = material_rows[3 * slot + 1];
    vec4 rule = material_rows[3 * slot + 2];
    int pattern = int(rule.x + 0.5);
    vec3 n = normalize(outward) * (gl_FrontFacing ? 1.0 : -1.0);
    if (rule.z > 0.0) {
        vec3 q = rest;
        vec3 fold = vec3(
            sin(q.y * 61.0 + 2.6 * sin(q.z * 27.0 + q.x * 13.0)),
            sin(q.x * 53.0 + 2.1 * sin(q.z * 33.0 - q.y * 19.0)),
            sin(q.z * 44.0 + 2.8 * sin(q.x * 24.0 + q.y * 31.0)));
        n = normalize(n + 0.22 * rule.z * fold);
    }
    float share = mixed(pattern, rule.y);
    vec3 base = pattern == 8 ? first.rgb * (0.7 + 0.6 * share) : mix(first.rgb, second.rgb, share);
    base *= tint;
    // Light bleeds a little round limbs: skin and cloth pass some of it.
    emit(shaded(base, n, world, rule.w, 0.15, 0.015));
}
"""
)

PROP_FRAGMENT = (
    HEAD
    + LIGHT
    + """
in vec3 world;
in vec3 outward;
in vec3 tint;
in float gloss;
OUTPUTS
void main() {
    vec3 n = normalize(outward) * (gl_FrontFacing ? 1.0 : -1.0);
    emit(shaded(tint, n, world, gloss, 0.1, 0.008));
}
"""
)

# Light that falls on the scenery is kept in two pictures, what shadows of players can take
# (key) and what they cannot (around), so that a frame only has to weigh the two.
BACKDROP = (
    HEAD
    + LIGHT
    + """
in vec2 at;
uniform sampler2D key_part;
uniform sampler2D around_part;
uniform sampler2D z_part;
uniform mat3 pixel_to_ray;
uniform mat3 to_court;
uniform vec4 blobs[16];
uniform int blob_count;
uniform float contact;
layout(location = 0) out vec4 shown;
void main() {
    ivec2 pixel = ivec2(gl_FragCoord.xy);
    float z = texelFetch(z_part, pixel, 0).r;
    vec3 key = texelFetch(key_part, pixel, 0).rgb;
    vec3 around = texelFetch(around_part, pixel, 0).rgb;
    vec3 place = eye + to_court * (pixel_to_ray * vec3(gl_FragCoord.xy, 1.0)) * z;
    float open_share = 1.0;
    for (int k = 0; k < blob_count; ++k) {
        vec3 d = blobs[k].xyz - place;
        float r2 = blobs[k].w * blobs[k].w;
        float d2 = dot(d, d) + 0.3 * r2;
        // Cut off at some five radii, so that its reach is known.
        open_share *= 1.0 - contact * clamp(r2 / d2 - 0.04, 0.0, 1.0);
    }
    float lit = z > 60.0 ? 1.0 : lit_share(place, 0.02);
    shown = vec4(key * lit + around * open_share, z);
}
"""
)

COPY_BACKDROP = (
    HEAD
    + """
in vec2 at;
uniform sampler2D backdrop;
uniform vec2 depth_rule;
out vec4 shown;
void main() {
    vec4 found = texelFetch(backdrop, ivec2(gl_FragCoord.xy), 0);
    shown = vec4(found.rgb, 1.0);
    gl_FragDepth = 0.5 + 0.5 * (depth_rule.x + depth_rule.y / found.a);
}
"""
)

VEIL = (
    HEAD
    + """
in vec2 at;
uniform sampler2D veil;
uniform sampler2D veil_z;
uniform vec2 depth_rule;
out vec4 shown;
void main() {
    ivec2 pixel = ivec2(gl_FragCoord.xy);
    shown = texelFetch(veil, pixel, 0);
    if (shown.a < 0.004) discard;
    gl_FragDepth = 0.5 + 0.5 * (depth_rule.x + depth_rule.y / texelFetch(veil_z, pixel, 0).r);
}
"""
)

ACCUMULATE = (
    HEAD
    + """
in vec2 at;
uniform sampler2D layer;
uniform float share;
out vec4 shown;
void main() { shown = vec4(texelFetch(layer, ivec2(gl_FragCoord.xy), 0).rgb * share, share); }
"""
)

# The response rises like sRGB (IEC 61966-2-1) and rolls off above 0.7 of full scale, as a
# camera's does (the shoulder is a guess).
DEVELOP = (
    HEAD
    + """
in vec2 at;
uniform sampler2D layer;
out vec4 shown;
void main() {
    // The sum's alpha counts what was added, which rounding can make one moment more or less.
    vec4 sum = texelFetch(layer, ivec2(gl_FragCoord.xy), 0);
    vec3 c = max(sum.rgb / max(sum.a, 1e-4), 0.0);
    c = mix(c, 0.7 + 0.3 * (1.0 - exp(-(c - 0.7) / 0.3)), greaterThan(c, vec3(0.7)));
    vec3 bright = 1.055 * pow(c, vec3(1.0 / 2.4)) - 0.055;
    shown = vec4(mix(12.92 * c, bright, greaterThan(c, vec3(0.0031308))), 1.0);
}
"""
)

SHRINK = (
    HEAD
    + """
in vec2 at;
uniform sampler2D source;
uniform int factor;
uniform int nearest;
out vec4 shown;
void main() {
    ivec2 first = ivec2(gl_FragCoord.xy) * factor;
    vec4 sum = vec4(0.0), least = vec4(1e9);
    for (int j = 0; j < factor; ++j)
        for (int i = 0; i < factor; ++i) {
            vec4 found = texelFetch(source, first + ivec2(i, j), 0);
            sum += found;
            least = min(least, found);
        }
    shown = nearest == 1 ? least : sum / float(factor * factor);
}
"""
)
